package dashboards

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"strconv"
	"strings"
)

//go:embed assets
var assetFiles embed.FS

// An asset is a file of the page, compressed once.
type asset struct {
	body, zipped []byte // zipped is nil where it would not help
	contentType  string
	tag          string // of the content
}

var assetTypes = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
	".woff2": "font/woff2", ".txt": "text/plain; charset=utf-8",
}

// loadAssets reads the embedded files. What was compiled in cannot be missing: an
// error is a broken build and panics.
func loadAssets() map[string]asset {
	out := map[string]asset{}
	err := fs.WalkDir(assetFiles, "assets", func(name string, d fs.DirEntry, err error) error {
		t, known := assetTypes[path.Ext(name)]
		if err != nil || d.IsDir() || !known {
			return err
		}
		b, err := assetFiles.ReadFile(name)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(b)
		a := asset{body: b, contentType: t, tag: hex.EncodeToString(sum[:6])}
		if t != "font/woff2" {
			var z bytes.Buffer
			w, err := gzip.NewWriterLevel(&z, gzip.BestCompression)
			if err != nil {
				return err
			}
			w.Write(b)
			w.Close()
			a.zipped = z.Bytes()
		}
		out[strings.TrimPrefix(name, "assets/")] = a
		return nil
	})
	if err != nil {
		panic(err)
	}
	return out
}

// static serves a file of the page. An address that names the content's tag may be
// kept for good; others are asked for again.
func (s *Server) static(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", a.contentType)
	h.Set("ETag", `"`+a.tag+`"`)
	h.Set("Vary", "Accept-Encoding")
	if r.URL.Query().Get("v") == a.tag {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	} else {
		h.Set("Cache-Control", "no-cache")
	}
	if strings.Contains(r.Header.Get("If-None-Match"), a.tag) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := a.body
	if a.zipped != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = a.zipped
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.Write(body)
}
