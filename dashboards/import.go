package dashboards

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"time"
)

// importLine is one line of the answer to an import: progress lines, then a report
// or an error.
type importLine struct {
	Progress *ImportProgress `json:"progress,omitempty"`
	Report   *ImportReport   `json:"report,omitempty"`
	Error    string          `json:"error,omitempty"`
}

const (
	maxScales     = 1 << 20                // bytes of a scales.csv
	betweenLines  = 200 * time.Millisecond // progress lines come no faster
	stalledImport = 5 * time.Minute        // a sender or reader that stops this long ends it
)

// importCSV reads a file while it arrives and tells how far it has come. The body is
// the CSV, or a multipart form whose part "scales" comes before its part "file". The
// query value name is the file's name, for messages.
func (s *Server) importCSV(w http.ResponseWriter, r *http.Request) {
	kind := r.PathValue("kind")
	if kind != "readings" && kind != "weather" && kind != "installations" {
		s.fail(w, r, badRequest{fmt.Errorf("import %q: want readings, weather or installations", kind)})
		return
	}
	rc := http.NewResponseController(w)
	// Progress goes out while the file still comes in. HTTP/2 does that by itself and
	// says so by an error, as a recorder in a test does.
	rc.EnableFullDuplex()
	// A full-duplex connection that goes on after a body whose end nobody read makes
	// net/http panic ("invalid concurrent Body.Read call").
	w.Header().Set("Connection", "close")
	alive := func() {
		at := time.Now().Add(stalledImport)
		rc.SetReadDeadline(at)
		rc.SetWriteDeadline(at)
	}
	alive()
	name := r.URL.Query().Get("name")
	csv, scales, fileName, err := importParts(r)
	if err != nil {
		s.fail(w, r, badRequest{err})
		return
	}
	if name == "" {
		name = fileName
	}
	if name == "" {
		name = kind + ".csv"
	}
	w.Header().Set("Content-Type", "application/x-ndjson; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	line := func(l importLine) {
		b, err := json.Marshal(l)
		if err != nil {
			b = []byte(`{"error":"the report cannot be written"}`)
		}
		alive()
		w.Write(append(b, '\n')) // a reader that left does not stop the import
		rc.Flush()
	}
	var last time.Time
	report, err := s.backend.Import(r.Context(), kind, name, csv, scales, func(p ImportProgress) {
		if time.Since(last) >= betweenLines {
			last = time.Now()
			line(importLine{Progress: &p})
		}
	})
	if err != nil {
		s.log.Warn("import ended early", "kind", kind, "file", name, "error", err)
		line(importLine{Report: &report, Error: err.Error()})
		return
	}
	line(importLine{Report: &report})
}

// importParts finds the CSV and the scales in a request. scales is nil where none
// were sent.
func importParts(r *http.Request) (csv, scales io.Reader, name string, err error) {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "multipart/form-data" {
		return r.Body, nil, "", nil
	}
	parts, err := r.MultipartReader()
	if err != nil {
		return nil, nil, "", fmt.Errorf("read the form: %w", err)
	}
	for {
		p, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return nil, nil, "", errors.New(`the form has no part "file"`)
		}
		if err != nil {
			return nil, nil, "", fmt.Errorf("read the form: %w", err)
		}
		switch p.FormName() {
		case "scales":
			b, err := io.ReadAll(io.LimitReader(p, maxScales+1))
			if err != nil {
				return nil, nil, "", fmt.Errorf("read the scales: %w", err)
			}
			if len(b) > maxScales {
				return nil, nil, "", fmt.Errorf("the scales are larger than %d bytes", maxScales)
			}
			scales = bytes.NewReader(b)
		case "file":
			return p, scales, p.FileName(), nil
		}
	}
}
