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
	"time"
)

// SocketPath is where run answers commands, in a data folder.
func SocketPath(dir string) string { return filepath.Join(dir, "socket") }

// A server serves one handler on one listener.
type server struct {
	name    string
	handler http.Handler
	listen  func() (net.Listener, error)
	log     *slog.Logger
	bound   func(net.Addr) // told once listening; may be nil
	ready   chan struct{}
}

func newServer(name string, h http.Handler, listen func() (net.Listener, error), log *slog.Logger, bound func(net.Addr)) *server {
	return &server{name, h, listen, log, bound, make(chan struct{})}
}

func (s *server) String() string         { return s.name }
func (s *server) Ready() <-chan struct{} { return s.ready }

// Run listens before it is ready, serves until ctx ends, lets open requests finish
// for two seconds and then cuts them: event streams never end by themselves.
func (s *server) Run(ctx context.Context) error {
	l, err := s.listen()
	if err != nil {
		return err
	}
	base, cut := context.WithCancel(context.Background())
	defer cut()
	// Requests see their context end when the daemon stops, streams included.
	context.AfterFunc(ctx, cut)
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       0, // an import may be long; the handler bounds what it reads
		WriteTimeout:      0, // event streams; handlers set deadlines by ResponseController
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		BaseContext:       func(net.Listener) context.Context { return base },
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	if s.bound != nil {
		s.bound(l.Addr())
	}
	close(s.ready)
	done := make(chan error, 1)
	go func() { done <- srv.Serve(l) }()
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
