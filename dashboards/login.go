package dashboards

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"holdfast/dashboards/door"
	"holdfast/dashboards/words"
)

// guard lets those through a door who may ask for a route; without a door, everybody.
func (s *Server) guard(d *door.Door, who access, next http.HandlerFunc) http.HandlerFunc {
	if d == nil || who == anyone {
		return next
	}
	return func(w http.ResponseWriter, r *http.Request) {
		c, in, done := d.Who(w, r)
		defer done()
		switch {
		case c == door.Person, c == door.Program, c == door.Here && who == locals:
			next(w, in)
		default:
			turnAway(w, r)
		}
	}
}

// turnAway sends people to the log-in page and tells programs what they need.
func turnAway(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	if strings.Contains(r.Header.Get("Accept"), "text/html") {
		to := "/holding" // a form's answer cannot be asked for again
		if r.Method == http.MethodGet {
			to = r.URL.RequestURI()
		}
		http.Redirect(w, r, "/login?to="+url.QueryEscape(to), http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="holdfast"`)
	b, _ := json.Marshal(map[string]string{"error": "this home asks who you are; log in at /login, or send Authorization: Bearer with a token of web.tokens"}) // strings marshal
	send(w, r, http.StatusUnauthorized, typeJSON, append(b, '\n'))
}

// onlyNear refuses connections without encryption from beyond the home's own network:
// a password typed there would cross the internet readable.
func onlyNear(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.TLS == nil && !door.Near(r) {
			http.Error(w, "holdfast answers without encryption only in the home's own network; add web.tls to the config", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// maxLogin is more than a password and an address to go to need.
const maxLogin = 16 << 10

type loginPage struct {
	Theme, To string
	Said      string // why the last try was not taken
	Readable  bool   // the password would cross the network readable
}

func (s *Server) loginPage(w http.ResponseWriter, r *http.Request) {
	if s.isIn(w, r) {
		http.Redirect(w, r, landing(r.URL.Query().Get("to")), http.StatusSeeOther)
		return
	}
	s.askPassword(w, r, http.StatusOK, r.URL.Query().Get("to"), "")
}

// isIn reports whether there is nothing to log in to.
func (s *Server) isIn(w http.ResponseWriter, r *http.Request) bool {
	if s.options.Door == nil {
		return true
	}
	c, _, done := s.options.Door.Who(w, r)
	done()
	return c == door.Person
}

func (s *Server) askPassword(w http.ResponseWriter, r *http.Request, status int, to, said string) {
	p := loginPage{Theme: theme(r), To: landing(to), Said: said}
	p.Readable = r.TLS == nil && r.Header.Get("X-Forwarded-Proto") != "https" && !loopbackName(hostOf(r))
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "login", p); err != nil {
		s.fail(w, r, fmt.Errorf("write the page: %w", err))
		return
	}
	send(w, r, status, "text/html; charset=utf-8", b.Bytes())
}

func (s *Server) login(w http.ResponseWriter, r *http.Request) {
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(10 * time.Second)) // a recorder in a test has none
	r.Body = http.MaxBytesReader(w, r.Body, maxLogin)
	to, password := r.PostFormValue("to"), r.PostFormValue("password")
	if s.options.Door == nil {
		http.Redirect(w, r, landing(to), http.StatusSeeOther)
		return
	}
	err := s.options.Door.Enter(w, r, password)
	limited, isLimited := errors.AsType[door.Limited](err)
	switch {
	case err == nil:
		w.Header().Set("Cache-Control", "no-store")
		http.Redirect(w, r, landing(to), http.StatusSeeOther)
	case isLimited:
		seconds := int(math.Ceil(limited.Wait.Seconds()))
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		s.askPassword(w, r, http.StatusTooManyRequests, to, "Too many tries. The next one counts in "+words.Plural(seconds, "second")+".")
	case errors.Is(err, door.ErrWrong):
		s.askPassword(w, r, http.StatusForbidden, to, "That password does not open it.")
	}
	// Else the client went away.
}

func (s *Server) logout(w http.ResponseWriter, r *http.Request) {
	if s.options.Door != nil {
		s.options.Door.Leave(w, r)
	}
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, "/login", http.StatusSeeOther)
}

// landing is where a log-in leads: a page of ours, never another site.
func landing(to string) string {
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n\t") || u.Path == "/login" || u.Path == "/logout" {
		return "/holding"
	}
	return to
}
