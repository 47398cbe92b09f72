package dashboards

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"holdfast/dashboards/door"
)

// Options are what a Server can do without.
type Options struct {
	Version string       // shown at the foot of pages and in holdfast_build_info
	Logger  *slog.Logger // nil: nothing is logged
	// Collectors are added to /metrics beside those of the answer: counters that only
	// the running daemon can keep. They must not be registered elsewhere.
	Collectors []prometheus.Collector
	// Hosts are names, beside the loopback ones, that a request may be addressed to.
	Hosts []string
	// Door says who comes in by Handler; nil: whoever reaches it, as on a loopback
	// address. Owner never asks.
	Door *door.Door
	// Network says that Handler serves more than a loopback address: requests may be
	// addressed to any address, and those without encryption must come from the home's
	// own network.
	Network bool
}

// A Server holds the handlers of the HTTP API and the pages.
type Server struct {
	backend Backend
	options Options
	log     *slog.Logger
	assets  map[string]asset
	figures map[bool]string // styles of pictures; true: dark
	pages   *template.Template
	metrics http.Handler
	hosts   map[string]bool

	stop     chan struct{} // closed by Close: streams end
	stopOnce sync.Once
}

// New returns a Server over a backend. It starts nothing.
func New(b Backend, o Options) *Server {
	s := &Server{backend: b, options: o, log: o.Logger, stop: make(chan struct{}), hosts: map[string]bool{}}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	for _, h := range o.Hosts {
		s.hosts[strings.ToLower(h)] = true
	}
	s.assets = loadAssets()
	s.pages = loadPages(s.assets)
	s.figures = figureStyles(s.assets)
	s.metrics = s.newMetrics()
	return s
}

// Close ends the streams that are open, so that a graceful shutdown need not wait
// for browsers. It may be called twice.
func (s *Server) Close() { s.stopOnce.Do(func() { close(s.stop) }) }

// Server returns an http.Server for an address with all four time-outs set, whose
// Shutdown ends open streams. Handlers that stream lift the write deadline
// themselves.
func (s *Server) Server(addr string) *http.Server {
	h := &http.Server{
		Addr: addr, Handler: s.Handler(),
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second,
		WriteTimeout: 60 * time.Second, IdleTimeout: 2 * time.Minute,
		ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	h.RegisterOnShutdown(s.Close)
	return h
}

// A route is one row of the table that serves the mux and describes the API.
type route struct {
	pattern string // method and path, as net/http takes them
	who     access
	what    string // one line for people
	handle  http.HandlerFunc
}

// access says who may ask for a route where there is a door. Nothing else is open
// but what says so.
type access int

const (
	members access = iota // people who logged in, programs with a token
	locals                // they, and programs on this machine
	anyone
)

func (s *Server) routes() []route {
	return []route{
		{"GET /{$}", members, "the first visit while it lasts, then the Holding view", s.root},
		{"GET /setup", members, "the first visit: tuners, channels, weather, and what is still missing", s.setup},
		{"GET /setup/state", members, "the parts of the first visit that change, JSON of HTML", s.setupNow},
		{"GET /holding", members, "the Holding view: does it hold, how much is left", s.holding},
		{"GET /holding/lanes", members, "the drawings and figures of the Holding view for a width and a span, JSON", s.lanes},
		{"GET /holding/picture", members, "what the Holding view shows as one SVG to keep; query from, to, open, first, most, theme", s.picture},
		{"GET /holding/table", members, "one lane as a table: query lane, from, to, page", s.table},
		{"GET /api/answer", members, "the answer: JSON of the contract, or text for people with format=text", s.answer},
		{"GET /api/explain", members, "the story of the dropouts at a time, as text; query time, channel, width", s.explain},
		{"GET /api/channels", members, "the channels with what was last seen of each, JSON, or text for people with format=text", s.channels},
		{"GET /api/alarms", members, "alarms raised or standing in a span, newest first, JSON", s.alarms},
		{"POST /api/alarms/acknowledge", members, "marks the alarm of the form value id as seen", s.acknowledge},
		{"POST /api/alarms/test", members, "sends a sample by the way of telling of the form value name and says what came back, JSON", s.tryWay},
		{"GET /api/health", members, "what the daemon knows of tuners, weather, disk, store and clock, JSON", s.health},
		{"GET /api/export/{kind}", members, "what is stored of readings, scales, weather or installations: the CSV that an import reads, or JSON or Parquet by format", s.export},
		{"POST /api/import/{kind}", members, "reads CSV of readings, weather or installations; answers with progress as NDJSON", s.importCSV},
		{"GET /events", members, "server-sent events: changed, whenever something did", s.events},
		{"GET /healthz", anyone, "the process answers", s.healthz},
		{"GET /readyz", locals, "everything has started", s.readyz},
		{"GET /metrics", locals, "figures for Prometheus", s.metrics.ServeHTTP},
		{"GET /static/{name...}", anyone, "style, script, fonts", s.static},
		{"GET /login", anyone, "asks for the password, where there is one", s.loginPage},
		{"POST /login", anyone, "logs in by the form value password: sets a cookie", s.login},
		{"POST /logout", anyone, "logs out", s.logout},
	}
}

// Handler returns the handler of everything for an address, with its guards: known
// names only, no cross-origin writes, strict content security policy, and the door.
func (s *Server) Handler() http.Handler { return s.handler(s.options.Door) }

// Owner returns the handler of everything for a way in that is the owner's alone, such
// as a socket in the data folder: like Handler, without the door.
func (s *Server) Owner() http.Handler { return s.handler(nil) }

func (s *Server) handler(d *door.Door) http.Handler {
	mux := http.NewServeMux()
	for _, r := range s.routes() {
		mux.HandleFunc(r.pattern, s.guard(d, r.who, r.handle))
	}
	h := s.onlyKnownHosts(headers(http.NewCrossOriginProtection().Handler(mux)))
	if d != nil && s.options.Network {
		h = onlyNear(h)
	}
	return h
}

// policy allows what the page brings along and nothing else.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'self'; frame-ancestors 'none'"

func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// Not no-referrer: under it browsers hide the origin of forms, and without
		// encryption nothing else tells that a form is ours (Fetch standard, 3.1).
		h.Set("Referrer-Policy", "same-origin")
		if r.TLS != nil || loopbackName(hostOf(r)) { // elsewhere browsers ignore it, and complain
			h.Set("Cross-Origin-Opener-Policy", "same-origin")
		}
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// hostOf is the name or address that a request is addressed to, without its port.
func hostOf(r *http.Request) string {
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.ToLower(strings.Trim(host, "[]"))
}

func loopbackName(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || strings.HasSuffix(host, ".localhost") || err == nil && ip.Unmap().IsLoopback()
}

// onlyKnownHosts refuses requests addressed to names that are not ours: a foreign
// name that a resolver turned to our address would otherwise let any web page read
// this one. An address cannot be turned so.
func (s *Server) onlyKnownHosts(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := hostOf(r)
		_, err := netip.ParseAddr(host)
		if !loopbackName(host) && !s.hosts[host] && (err != nil || !s.options.Network) {
			instead := "use http://localhost instead"
			if s.options.Network {
				instead = "use its address instead, or add the name to web.hosts in the config"
			}
			http.Error(w, fmt.Sprintf("holdfast does not answer to the name %q; %s", host, instead), http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// send writes a body made in memory, compressed where the browser takes it.
func send(w http.ResponseWriter, r *http.Request, status int, contentType string, body []byte) {
	h := w.Header()
	h.Set("Content-Type", contentType)
	h.Add("Vary", "Accept-Encoding")
	if h.Get("Cache-Control") == "" {
		h.Set("Cache-Control", "no-store")
	}
	if len(body) > 1400 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write(body) // into memory: cannot fail
		z.Close()
		h.Set("Content-Encoding", "gzip")
		body = b.Bytes()
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	w.Write(body) // a reader that went away needs no message
}

const typeJSON = "application/json; charset=utf-8"

func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		s.fail(w, r, fmt.Errorf("write JSON: %w", err))
		return
	}
	send(w, r, http.StatusOK, typeJSON, append(b, '\n'))
}

// badRequest says that what was asked cannot be understood.
type badRequest struct{ error }

// fail answers an API request that went wrong and logs what is ours.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	status := http.StatusInternalServerError
	if _, ok := errors.AsType[badRequest](err); ok {
		status = http.StatusBadRequest
	} else if r.Context().Err() != nil {
		return // nobody listens
	} else {
		s.log.Error("request failed", "path", r.URL.Path, "error", err)
	}
	b, _ := json.Marshal(map[string]string{"error": err.Error()}) // strings marshal
	send(w, r, status, typeJSON, append(b, '\n'))
}

func (s *Server) healthz(w http.ResponseWriter, r *http.Request) {
	send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte("ok\n"))
}

func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 5*time.Second)
	defer cancel()
	if err := s.backend.Ready(ctx); err != nil {
		send(w, r, http.StatusServiceUnavailable, "text/plain; charset=utf-8", []byte("not ready: "+err.Error()+"\n"))
		return
	}
	send(w, r, http.StatusOK, "text/plain; charset=utf-8", []byte("ready\n"))
}
