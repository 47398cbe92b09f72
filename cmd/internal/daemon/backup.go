package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path/filepath"
	"syscall"
	"time"

	"holdfast/collector/store/embedded"
)

// Owner returns the handler of what the owner of the data folder alone may ask for, and
// of all that rest answers. It belongs on ways in that nobody else has, such as the
// socket: it writes files where it is told to.
func (h *Home) Owner(rest http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/backup", h.backup)
	mux.Handle("/", rest)
	return mux
}

// A BackupLine is one line of the answer to a backup: how many bytes of how many are
// done, and at the end what was copied, or why it was not.
type BackupLine struct {
	Done   int64            `json:"done,omitempty"`
	Total  int64            `json:"total,omitempty"`
	Copied *embedded.Copied `json:"copied,omitempty"`
	Error  string           `json:"error,omitempty"`
}

const (
	betweenBackupLines = 200 * time.Millisecond
	stalledReader      = 5 * time.Minute // that takes no line for so long ends the backup
)

// backup copies the store into the folder that the form value dir names, and answers
// with lines of JSON.
func (h *Home) backup(w http.ResponseWriter, r *http.Request) {
	dir := r.FormValue("dir")
	if !filepath.IsAbs(dir) {
		http.Error(w, "back up: dir must be the full path of a folder", http.StatusBadRequest)
		return
	}
	rc := http.NewResponseController(w)
	w.Header().Set("Content-Type", "application/x-ndjson; charset=utf-8")
	line := func(l BackupLine) {
		rc.SetWriteDeadline(time.Now().Add(stalledReader)) // an error would show in the write
		json.NewEncoder(w).Encode(l)                       // whoever left ends the request's context
		rc.Flush()
	}
	var last time.Time
	copied, err := h.store.Backup(r.Context(), dir, func(done, total int64) {
		if now := time.Now(); now.Sub(last) >= betweenBackupLines {
			last = now
			line(BackupLine{Done: done, Total: total})
		}
	})
	switch {
	case errors.Is(err, context.Canceled):
		line(BackupLine{Error: "back up to " + dir + ": holdfast is stopping; nothing was left there"})
	case err != nil:
		if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
			err = fmt.Errorf("%w; the process that holds the home writes the copy: name a folder that it may write to", err)
		}
		h.log.Warn("backup failed", "error", err)
		line(BackupLine{Error: err.Error()})
	default:
		h.log.Info("backed up", "to", dir, "files", copied.Files, "bytes", copied.Bytes)
		for _, f := range copied.Faults {
			h.log.Error("the home has lost readings; a backup from before may have them", "file", f)
		}
		line(BackupLine{Copied: &copied})
	}
}

// RestoreOptions are what Restore can do without.
type RestoreOptions = embedded.RestoreOptions

// Restore puts a backup into a data folder that no process has and that holds no home.
func Restore(ctx context.Context, from, dir string, o RestoreOptions) (embedded.Copied, error) {
	return embedded.Restore(ctx, from, dir, o)
}
