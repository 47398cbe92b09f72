package dashboards

import (
	"bytes"
	"io"
	"log"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

// The end of a form may come after its last part was read. The connection must
// neither break nor take the rest for another request.
func TestImportWhoseFormEndsLate(t *testing.T) {
	var book lockedBuffer
	f := newFakeHome(57)
	srv := httptest.NewUnstartedServer(New(f, Options{}).Handler())
	srv.Config.ErrorLog = log.New(&book, "", 0)
	srv.Start()
	defer srv.Close()
	for range 50 {
		in, out := io.Pipe()
		form := multipart.NewWriter(out)
		go func() {
			p, _ := form.CreateFormFile("file", "june.csv")
			io.WriteString(p, "time\n1\n")
			form.Close()
			out.Close()
		}()
		res, err := http.Post(srv.URL+"/api/import/readings", form.FormDataContentType(), in)
		if err != nil {
			t.Fatalf("import: %v; server log:\n%s", err, book.String())
		}
		b, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err != nil || !strings.Contains(string(b), `"report"`) {
			t.Fatalf("import answered %q, %v; want a report", b, err)
		}
		res, err = http.Get(srv.URL + "/healthz")
		if err != nil {
			t.Fatalf("the request after an import: %v; server log:\n%s", err, book.String())
		}
		res.Body.Close()
	}
	srv.Close()
	if s := book.String(); s != "" {
		t.Errorf("the server complained:\n%.800s", s)
	}
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
