package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"
)

// SocketPath is where run answers commands, in a data folder.
func SocketPath(dir string) string { return filepath.Join(dir, "socket") }

// A server serves one handler on one listener.
type server struct {
	name   string
	http   *http.Server
	listen func() (net.Listener, error)
	log    *slog.Logger
	bound  func(net.Addr) // told once listening; may be nil
	ready  chan struct{}

	mu       sync.Mutex
	stopping bool
	open     sync.WaitGroup // requests; none is added once stopping
}

func newServer(name string, h *http.Server, listen func() (net.Listener, error), log *slog.Logger, bound func(net.Addr)) *server {
	return &server{name: name, http: h, listen: listen, log: log, bound: bound, ready: make(chan struct{})}
}

// serve wraps a handler. A panic is answered and told with its stack; net/http
// alone would say it where nobody looks.
func (s *server) serve(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.enter() {
			http.Error(w, "holdfast is stopping", http.StatusServiceUnavailable)
			return
		}
		defer s.open.Done()
		defer func() {
			p := recover()
			if p == nil {
				return
			}
			if p == http.ErrAbortHandler {
				panic(p)
			}
			s.log.Error("a request made the program panic; it goes on", "path", r.URL.Path, "panic", p, "stack", string(debug.Stack()))
			http.Error(w, "this request failed by a fault in holdfast; its log has the details", http.StatusInternalServerError)
		}()
		next.ServeHTTP(w, r)
	})
}

func (s *server) String() string         { return s.name }
func (s *server) Ready() <-chan struct{} { return s.ready }

func (s *server) enter() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.stopping {
		s.open.Add(1)
	}
	return !s.stopping
}

// Run listens before it is ready, serves until ctx ends, lets open requests finish
// for two seconds, then cuts them and waits until their handlers have returned: what
// they use is changed or closed next.
func (s *server) Run(ctx context.Context) error {
	l, err := s.listen()
	if err != nil {
		return err
	}
	base, cut := context.WithCancel(context.Background())
	defer cut()
	// Requests see their context end when the daemon stops, streams included.
	context.AfterFunc(ctx, cut)
	srv := s.http
	srv.Handler = s.serve(srv.Handler)
	srv.MaxHeaderBytes = 64 << 10
	srv.BaseContext = func(net.Listener) context.Context { return base }
	if s.bound != nil {
		s.bound(l.Addr())
	}
	close(s.ready)
	done := make(chan error, 1)
	go func() {
		if srv.TLSConfig == nil {
			done <- srv.Serve(l)
			return
		}
		done <- srv.ServeTLS(l, "", "") // offers HTTP/2 too
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		_ = srv.Close()
	}
	s.mu.Lock()
	s.stopping = true
	s.mu.Unlock()
	s.open.Wait()
	if err := <-done; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// maxSocketPath is what sun_path holds on Linux, less its terminating zero; other
// systems hold a few bytes less.
const maxSocketPath = 100

// listenSocket opens the data folder's socket for its owner alone. The caller holds
// the store's lock, so a socket that lies there is a dead process's.
func listenSocket(dir string) (net.Listener, error) {
	path := SocketPath(dir)
	if len(path) > maxSocketPath {
		return nil, fmt.Errorf("the path of the socket %s is longer than %d bytes; choose a shorter data folder with --data", path, maxSocketPath)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("remove the old socket: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, fmt.Errorf("open the socket for commands: %w", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		_ = l.Close()
		return nil, fmt.Errorf("close the socket to others: %w", err)
	}
	return l, nil
}
