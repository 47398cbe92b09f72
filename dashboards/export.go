package dashboards

import (
	"cmp"
	"fmt"
	"io"
	"net/http"
	"slices"
	"time"
)

// ExportKinds are the kinds of file that an export writes, in the order in which an
// import may read them again.
var ExportKinds = []string{"scales", "installations", "weather", "readings"}

// ExportFormats are the formats of an export, the usual one first.
var ExportFormats = []string{"csv", "json", "parquet"}

var exportTypes = map[string]string{
	"csv": "text/csv; charset=utf-8", "json": "application/json", "parquet": "application/vnd.apache.parquet",
}

// export streams a file while it is read from the store. A fault in the middle
// cuts the connection, so that half a file is never taken for a whole one.
func (s *Server) export(w http.ResponseWriter, r *http.Request) {
	kind := r.PathValue("kind")
	if !slices.Contains(ExportKinds, kind) {
		s.fail(w, r, badRequest{fmt.Errorf("export %q: want one of %v", kind, ExportKinds)})
		return
	}
	format := cmp.Or(r.FormValue("format"), ExportFormats[0])
	if !slices.Contains(ExportFormats, format) {
		s.fail(w, r, badRequest{fmt.Errorf("format %q: want one of %v", format, ExportFormats)})
		return
	}
	facts, err := s.backend.Facts(r.Context())
	if err != nil {
		s.fail(w, r, fmt.Errorf("read the home: %w", err))
		return
	}
	from, to, _, err := span(r, zone(facts.Home))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", exportTypes[format])
	h.Set("Content-Disposition", `attachment; filename="`+kind+`.`+format+`"`)
	h.Set("Cache-Control", "no-store")
	out := &patient{w: w, rc: http.NewResponseController(w)}
	if err := s.backend.Export(r.Context(), kind, format, from, to, out); err != nil {
		if !out.began {
			h.Del("Content-Disposition")
			s.fail(w, r, fmt.Errorf("export %s: %w", kind, err))
			return
		}
		if r.Context().Err() == nil {
			s.log.Error("export ended early", "kind", kind, "error", err)
		}
		panic(http.ErrAbortHandler)
	}
}

// patient moves the write deadline on with each write: a long file is no slow one.
type patient struct {
	w     io.Writer
	rc    *http.ResponseController
	began bool
}

func (p *patient) Write(b []byte) (int, error) {
	p.began = true
	_ = p.rc.SetWriteDeadline(time.Now().Add(stalledImport)) // a recorder in a test has none
	return p.w.Write(b)
}
