package daemon

import (
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"holdfast/collector/store/embedded"
	"holdfast/dashboards"
)

// Only the owner's way in writes files: the pages' address does not know of backups.
func TestBackupIsTheOwnersAlone(t *testing.T) {
	t.Parallel()
	st, err := embedded.Open(t.Context(), t.TempDir(), embedded.Options{ReserveBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	h := &Home{store: st, log: slog.New(slog.DiscardHandler)}
	pages := dashboards.New(h, dashboards.Options{})
	if _, err := os.Stat("/sys/kernel"); err != nil {
		t.Skip("real part missing: /sys, a file system that takes no files; run this test on Linux")
	}
	full := filepath.Join(t.TempDir(), "full")
	if err := os.MkdirAll(filepath.Join(full, "x"), 0o700); err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(t.TempDir(), "copy")
	for _, c := range []struct {
		name   string
		in     http.Handler
		dir    string
		status int
		says   string
	}{
		{"pages", pages.Handler(), to, http.StatusNotFound, ""},
		{"a relative path", h.Owner(pages.Owner()), "copy", http.StatusBadRequest, "full path"},
		{"a full folder", h.Owner(pages.Owner()), full, http.StatusOK, `"error":"back up to ` + full},
		{"a place that takes no files", h.Owner(pages.Owner()), "/sys/holdfast", http.StatusOK, "may write to"},
		{"the owner", h.Owner(pages.Owner()), to, http.StatusOK, `"copied":{"files":1`},
	} {
		r := httptest.NewRequest(http.MethodPost, "http://localhost/api/backup", strings.NewReader(url.Values{"dir": {c.dir}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		c.in.ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d %q, want %d and %q in it", c.name, w.Code, w.Body, c.status, c.says)
		}
		if c.status == http.StatusOK {
			for _, l := range strings.Split(strings.TrimSpace(w.Body.String()), "\n") {
				if err := json.Unmarshal([]byte(l), new(BackupLine)); err != nil {
					t.Errorf("%s: line %q: %v", c.name, l, err)
				}
			}
		}
	}
	if _, err := os.Stat(filepath.Join(to, "holdfast.db")); err != nil {
		t.Error(err)
	}
}
