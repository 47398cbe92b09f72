package httpjson

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	"holdfast/collector/address"
)

const (
	goodHz = 569e6
	darkHz = 575e6
)

// A device is an invented tuner with a status page, on a network of its own that can
// be pulled out. It is made and used within one bubble of testing/synctest.
type device struct {
	mu       sync.Mutex
	conns    []net.Conn
	out      bool          // pulled out
	hang     chan struct{} // closed when the device answers again; nil: it answers
	taken    bool          // by somebody else
	hz       int64         // tuned to
	since    time.Time
	asked    []string
	released int

	// page replaces the status page; alter changes its figures.
	page  http.HandlerFunc
	alter func(map[string]any)

	accept chan net.Conn
	done   chan struct{}
}

func newDevice(t *testing.T) *device {
	d := &device{accept: make(chan net.Conn), done: make(chan struct{}), since: time.Now()}
	srv := &http.Server{Handler: d}
	served := make(chan struct{})
	go func() { defer close(served); _ = srv.Serve(d) }()
	t.Cleanup(func() { srv.Close(); <-served })
	return d
}

func (d *device) Accept() (net.Conn, error) {
	select {
	case c := <-d.accept:
		return c, nil
	case <-d.done:
		return nil, net.ErrClosed
	}
}

func (d *device) Close() error   { close(d.done); return nil }
func (d *device) Addr() net.Addr { return &net.TCPAddr{} }

func (d *device) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	d.mu.Lock()
	out := d.out
	d.mu.Unlock()
	if out {
		return nil, &net.OpError{Op: "dial", Net: "tcp", Err: syscall.ECONNREFUSED}
	}
	a, b := net.Pipe()
	select {
	case d.accept <- b:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	d.mu.Lock()
	d.conns = append(d.conns, a)
	d.mu.Unlock()
	return a, nil
}

func (d *device) unplug() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.out = true
	for _, c := range d.conns {
		c.Close()
	}
	d.conns = nil
}

func (d *device) set(f func()) { d.mu.Lock(); defer d.mu.Unlock(); f() }

func (d *device) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.mu.Lock()
	hang, page := d.hang, d.page
	d.asked = append(d.asked, r.Method+" "+r.URL.RequestURI())
	d.mu.Unlock()
	if hang != nil {
		select {
		case <-hang:
		case <-r.Context().Done():
			return
		}
	}
	switch {
	case r.URL.Path == "/tune":
		hz, _ := strconv.ParseInt(r.URL.Query().Get("f"), 10, 64)
		d.set(func() { d.hz, d.since = hz, time.Now() })
		fmt.Fprint(w, "OK")
	case r.URL.Path == "/free":
		d.set(func() { d.released++ })
	case page != nil:
		page(w, r)
	default:
		d.status(w)
	}
}

func (d *device) status(w http.ResponseWriter) {
	d.mu.Lock()
	defer d.mu.Unlock()
	front := map[string]any{"hz": d.hz, "lock": false, "snr": nil, "sig": -97.5}
	if d.hz == goodHz {
		n := int64(time.Since(d.since).Seconds() * 12894)
		front = map[string]any{"hz": d.hz, "lock": true, "snr": 23.4, "sig": -55.25, "bad": 0, "all": n, "ts": 2126}
	}
	if d.alter != nil {
		d.alter(front)
	}
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"serial": "Q7", "inUse": d.taken, "front": front})
}

const frontMap = `{busy: .inUse} + (.front | {locked: .lock, cn_db: .snr, level_dbm: .sig, uncorrected_blocks: .bad,
  total_blocks: .all, identity: .ts, frequency_hz: .hz})`

func options() Options {
	return Options{
		Tune: "http://tuner.example/tune?f={frequency_hz}", Read: "http://tuner.example/status.json?key=s3cret",
		Release: "http://tuner.example/free", Mapping: frontMap, Device: ".serial", DeviceID: "Q7",
	}
}

func open(t *testing.T, d *device, o Options) *Source {
	t.Helper()
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	s.client = address.NewClient(d.dial)
	t.Cleanup(func() { s.Close() })
	return s
}
