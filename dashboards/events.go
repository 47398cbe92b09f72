package dashboards

import (
	"fmt"
	"net/http"
	"strconv"
	"time"
)

const (
	heartbeat    = 15 * time.Second // a comment, so that proxies and browsers see life
	slowReader   = 10 * time.Second // a write that takes longer drops the reader
	betweenTicks = time.Second      // changes nearer than this are told as one
)

// events streams "changed" whenever something did. The browser then asks for what
// it shows; nothing is lost by a missed event, so Last-Event-ID only makes the first
// one come at once.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	rc := http.NewResponseController(w)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	rc.SetReadDeadline(time.Time{}) // a recorder in a test has no deadlines; harmless
	id := time.Now().UnixMilli()
	write := func(text string) bool {
		rc.SetWriteDeadline(time.Now().Add(slowReader))
		if _, err := fmt.Fprint(w, text); err != nil {
			return false
		}
		return rc.Flush() == nil
	}
	changed := func() bool {
		id = max(id+1, time.Now().UnixMilli())
		return write("id: " + strconv.FormatInt(id, 10) + "\nevent: changed\ndata: {}\n\n")
	}
	if !write("retry: 10000\n\n") {
		return
	}
	if r.Header.Get("Last-Event-ID") != "" && !changed() {
		return
	}
	ticks := s.backend.Watch(r.Context())
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	var last time.Time
	var later <-chan time.Time
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.stop:
			return
		case _, ok := <-ticks:
			if !ok {
				return
			}
			if wait := betweenTicks - time.Since(last); wait > 0 {
				if later == nil {
					later = time.After(wait)
				}
				continue
			}
			last = time.Now()
			if !changed() {
				return
			}
		case <-later:
			later = nil
			last = time.Now()
			if !changed() {
				return
			}
		case <-beat.C:
			if !write(": still here\n\n") {
				return
			}
		}
	}
}
