package dashboards

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"

	"holdfast/dashboards/door"
)

// The hash is of the phrase, by the reference implementation of RFC 9106.
const (
	doorPhrase = "thirty-three larks"
	doorHash   = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0c2FsdA$dA8hJ4S77Me3LvWQCx4GY2L/uld9S9vztxt03wiuY04"
	doorToken  = "0123456789abcdef0123456789abcdef"
)

func testDoor(t *testing.T, proxied bool) *door.Door {
	t.Helper()
	p, err := door.ParseHash(doorHash)
	if err != nil {
		t.Fatal(err)
	}
	k, err := door.ParseToken("figures", doorToken)
	if err != nil {
		t.Fatal(err)
	}
	d, err := door.New(door.Options{Password: p, Tokens: []door.Token{k}, Proxied: proxied})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// ask sends a request from the home's network, as a program would.
func ask(h http.Handler, method, path, body string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "http://192.168.7.4:8790"+path, strings.NewReader(body))
	r.RemoteAddr = "192.168.7.9:5000"
	if body != "" {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func byToken(r *http.Request)   { r.Header.Set("Authorization", "Bearer "+doorToken) }
func byBrowser(r *http.Request) { r.Header.Set("Accept", "text/html,application/xhtml+xml") }
func fromHere(r *http.Request)  { r.RemoteAddr, r.Host = "127.0.0.1:5000", "localhost:8790" }

func loggedIn(t *testing.T, h http.Handler) func(*http.Request) {
	t.Helper()
	w := ask(h, "POST", "/login", url.Values{"password": {doorPhrase}}.Encode())
	cs := w.Result().Cookies()
	if w.Code != 303 || len(cs) != 1 {
		t.Fatalf("log-in = %d with %d cookies: %s", w.Code, len(cs), w.Body)
	}
	return func(r *http.Request) { r.AddCookie(cs[0]) }
}

// Who may see what: every route, for everybody who may come.
func TestWhoMaySeeWhat(t *testing.T) {
	s := New(newFakeHome(57), Options{Door: testDoor(t, false), Network: true})
	proxied := New(newFakeHome(57), Options{Door: testDoor(t, true), Hosts: []string{"tv.home.arpa"}}).Handler()
	h := s.Handler()
	member := loggedIn(t, h)
	// What is open to strangers is written out here: a new route that forgets to close
	// itself fails.
	open := map[string]bool{"GET /healthz": true, "GET /static/{name...}": true, "GET /login": true, "POST /login": true, "POST /logout": true}
	local := map[string]bool{"GET /readyz": true, "GET /metrics": true}
	wrong := func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+doorToken[1:]+"0") }
	ended := func(r *http.Request) {
		r.AddCookie(&http.Cookie{Name: door.Cookie, Value: strings.Repeat("A", 43)})
	}
	n := 0
	for _, rt := range s.routes() {
		method, path, _ := strings.Cut(rt.pattern, " ")
		path = strings.NewReplacer("{$}", "", "{kind}", "weather", "{name...}", "holdfast.css").Replace(path)
		if path == "/events" {
			continue // TestEventsNeedALogIn
		}
		n++
		for _, c := range []struct {
			name   string
			h      http.Handler
			change func(*http.Request)
			in     bool
		}{
			{"a stranger", h, func(*http.Request) {}, open[rt.pattern]},
			{"a wrong token", h, wrong, open[rt.pattern]},
			{"an ended session", h, ended, open[rt.pattern]},
			{"a token", h, byToken, true},
			{"a member", h, member, true},
			{"this machine", h, fromHere, open[rt.pattern] || local[rt.pattern]},
			{"this machine behind a proxy", proxied, fromHere, open[rt.pattern]},
			{"this machine behind a proxy, by a token", proxied, func(r *http.Request) { fromHere(r); byToken(r) }, true},
			{"the owner's socket", s.Owner(), fromHere, true},
		} {
			w := ask(c.h, method, path, "", c.change)
			if in := w.Code != http.StatusUnauthorized; in != c.in {
				t.Errorf("%s by %s = %d, want let in %v", rt.pattern, c.name, w.Code, c.in)
			}
			if w.Code == http.StatusUnauthorized && (w.Header().Get("WWW-Authenticate") != `Bearer realm="holdfast"` || !strings.Contains(w.Body.String(), "/login") || w.Header().Get("Cache-Control") != "no-store") {
				t.Errorf("%s by %s: refused with %v %s, want a way in", rt.pattern, c.name, w.Header(), w.Body)
			}
		}
	}
	if n < 10 {
		t.Errorf("%d routes tried, want all", n)
	}
}

// Without a door all is as on a loopback address: nobody is asked.
func TestNoDoor(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	for path, want := range map[string]int{"/holding": 200, "/api/answer": 200, "/metrics": 200, "/login": 303, "/login?to=/api/answer": 303} {
		if w := get(h, path, byBrowser); w.Code != want {
			t.Errorf("GET %s = %d, want %d", path, w.Code, want)
		}
	}
	r := httptest.NewRequest("POST", "http://localhost/login", strings.NewReader("password=x"))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != 303 || len(w.Result().Cookies()) != 0 {
		t.Errorf("POST /login = %d, cookies %v; want away without one", w.Code, w.Result().Cookies())
	}
	if b := get(h, "/holding").Body.String(); strings.Contains(b, "Log out") {
		t.Error("the page offers to log out where nobody logged in")
	}
}

func TestLogIn(t *testing.T) {
	h := New(newFakeHome(57), Options{Door: testDoor(t, false), Network: true}).Handler()
	// A page asked for leads to the log-in and back.
	w := ask(h, "GET", "/holding?first=rf", "", byBrowser)
	to, err := url.Parse(w.Header().Get("Location"))
	if w.Code != 303 || err != nil || to.Path != "/login" || to.Query().Get("to") != "/holding?first=rf" {
		t.Fatalf("a stranger's page = %d to %s, want the log-in", w.Code, to)
	}
	page := ask(h, "GET", to.String(), "", byBrowser)
	body := page.Body.String()
	for _, want := range []string{`type="password"`, `autocomplete="current-password"`, `name="to" value="/holding?first=rf"`, "not encrypted", "holdfast password"} {
		if !strings.Contains(body, want) {
			t.Errorf("the log-in page lacks %s", want)
		}
	}
	for _, no := range []string{"<script", " style=", "Quarterlight", newFakeHome(57).answer.Home.Name} {
		if strings.Contains(body, no) {
			t.Errorf("the log-in page holds %q", no)
		}
	}
	if page.Code != 200 || page.Header().Get("Cache-Control") != "no-store" || !strings.Contains(page.Header().Get("Content-Security-Policy"), "form-action 'self'") {
		t.Errorf("log-in page = %d %v", page.Code, page.Header())
	}
	// Every failure says the same.
	first := ""
	for _, p := range []string{"thirty-three", "", strings.Repeat("x", 2000), doorHash} {
		w := ask(h, "POST", "/login", url.Values{"password": {p}, "to": {"/holding"}}.Encode(), byBrowser)
		if w.Code != 403 || len(w.Result().Cookies()) != 0 || !strings.Contains(w.Body.String(), "That password does not open it.") {
			t.Errorf("password of %d bytes = %d", len(p), w.Code)
		}
		if first == "" {
			first = w.Body.String()
		}
		if w.Body.String() != first {
			t.Errorf("password of %d bytes gives another page than the first", len(p))
		}
	}
	w = ask(h, "POST", "/login", url.Values{"password": {doorPhrase}, "to": {"/holding?first=rf"}}.Encode(), byBrowser)
	if w.Code != 303 || w.Header().Get("Location") != "/holding?first=rf" {
		t.Fatalf("log-in = %d to %s, want the page that was asked for", w.Code, w.Header().Get("Location"))
	}
	c := w.Result().Cookies()[0]
	member := func(r *http.Request) { r.AddCookie(c) }
	if w := ask(h, "GET", "/holding", "", byBrowser, member); w.Code != 200 || !strings.Contains(w.Body.String(), `action="/logout"`) {
		t.Errorf("a member's page = %d, want one with a way out", w.Code)
	}
	if w := ask(h, "GET", "/login?to=/api/alarms", "", byBrowser, member); w.Code != 303 || w.Header().Get("Location") != "/api/alarms" {
		t.Errorf("log-in page for a member = %d to %s, want straight on", w.Code, w.Header().Get("Location"))
	}
	// The sixth try within the minute is turned away, right or wrong.
	w = ask(h, "POST", "/login", url.Values{"password": {doorPhrase}}.Encode(), byBrowser)
	wait, err := strconv.Atoi(w.Header().Get("Retry-After"))
	if w.Code != 429 || err != nil || wait < 1 || wait > 20 || !strings.Contains(w.Body.String(), "Too many tries. The next one counts in ") {
		t.Errorf("the sixth log-in = %d, Retry-After %q: %s", w.Code, w.Header().Get("Retry-After"), w.Body)
	}
	// Out.
	w = ask(h, "POST", "/logout", "", byBrowser, member)
	if w.Code != 303 || w.Header().Get("Location") != "/login" || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("log-out = %d to %s", w.Code, w.Header().Get("Location"))
	}
	if w := ask(h, "GET", "/holding", "", member); w.Code != 401 {
		t.Errorf("the old cookie after log-out = %d, want 401", w.Code)
	}
	// A form sent after the log-in ended leads to the page, not to the form's address.
	if w := ask(h, "POST", "/api/alarms/acknowledge", "id=x", byBrowser, member); w.Code != 303 || w.Header().Get("Location") != "/login?to=%2Fholding" {
		t.Errorf("a form without a log-in = %d to %s", w.Code, w.Header().Get("Location"))
	}
}

func TestLanding(t *testing.T) {
	for to, want := range map[string]string{
		"/holding?from=2026-02-16&open=rf33": "/holding?from=2026-02-16&open=rf33", "/": "/",
		"": "/holding", "holding": "/holding", "//evil.example": "/holding", "https://evil.example/": "/holding", "/\\evil.example": "/holding",
		"\\\\evil.example": "/holding", "/\t/evil.example": "/holding", "javascript:alert(1)": "/holding", "/login": "/holding", "/login?to=/login": "/holding", "/logout": "/holding", "/%zz": "/holding",
	} {
		if got := landing(to); got != want {
			t.Errorf("landing(%q) = %q, want %q", to, got, want)
		}
	}
}

// Another site can neither log somebody in nor out, with or without encryption.
func TestNoForgedLogIn(t *testing.T) {
	h := New(newFakeHome(57), Options{Door: testDoor(t, false), Network: true}).Handler()
	member := loggedIn(t, h)
	for _, path := range []string{"/login", "/logout", "/api/alarms/acknowledge"} {
		for _, c := range []struct{ key, value string }{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "http://evil.example"}, {"Origin", "null"}} {
			w := ask(h, "POST", path, "password="+url.QueryEscape(doorPhrase), member, func(r *http.Request) { r.Header.Set(c.key, c.value) })
			if w.Code != 403 || len(w.Result().Cookies()) != 0 {
				t.Errorf("POST %s with %s: %s = %d, want 403", path, c.key, c.value, w.Code)
			}
		}
	}
	if w := ask(h, "POST", "/login", "password="+url.QueryEscape(doorPhrase), func(r *http.Request) { r.Header.Set("Origin", "http://192.168.7.4:8790") }); w.Code != 303 {
		t.Errorf("our own form = %d, want 303", w.Code)
	}
	if w := ask(h, "GET", "/logout", "", member); w.Code != 405 {
		t.Errorf("GET /logout = %d, want 405: a link must not log out", w.Code)
	}
}

// Names and networks, with a door that is open to the network.
func TestHostsOnTheNetwork(t *testing.T) {
	h := New(newFakeHome(57), Options{Door: testDoor(t, false), Network: true, Hosts: []string{"tv.home.arpa"}}).Handler()
	for host, want := range map[string]int{
		"192.168.7.4:8790": 200, "[fd12::1]:8790": 200, "203.0.113.9": 200, "tv.home.arpa": 200, "TV.home.arpa:8790": 200, "localhost": 200,
		"evil.example": 421, "192.168.7.4.evil.example": 421, "": 421,
	} {
		w := ask(h, "GET", "/healthz", "", func(r *http.Request) { r.Host = host })
		if w.Code != want {
			t.Errorf("Host %q = %d, want %d", host, w.Code, want)
		}
		if want == 421 && !strings.Contains(w.Body.String(), "web.hosts") {
			t.Errorf("Host %q: %s, want the remedy", host, w.Body)
		}
	}
	far := func(r *http.Request) { r.RemoteAddr = "203.0.113.7:5000" }
	if w := ask(h, "GET", "/login", "", far); w.Code != 403 || !strings.Contains(w.Body.String(), "add web.tls") {
		t.Errorf("unencrypted from the internet = %d %s, want 403 and the remedy", w.Code, w.Body)
	}
	if w := ask(h, "GET", "/login", "", far, func(r *http.Request) { r.TLS = &tls.ConnectionState{} }); w.Code != 200 || strings.Contains(w.Body.String(), "not encrypted") {
		t.Errorf("encrypted from the internet = %d, want the log-in page without a caution", w.Code)
	}
	neighbour := func(r *http.Request) {
		r.RemoteAddr = "[2001:db8:0:7::9]:5000"
		a := &net.TCPAddr{IP: net.ParseIP("2001:db8:0:7::4"), Port: 8790}
		*r = *r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, a))
	}
	if w := ask(h, "GET", "/login", "", neighbour); w.Code != 200 {
		t.Errorf("unencrypted from a neighbour on the link = %d, want 200", w.Code)
	}
}

// Browsers hide the origin of forms under no-referrer, and complain of an opener
// policy without encryption.
func TestHeadersByTransport(t *testing.T) {
	h := New(newFakeHome(57), Options{Door: testDoor(t, false), Network: true}).Handler()
	for _, c := range []struct {
		name   string
		change func(*http.Request)
		opener string
	}{
		{"plain", func(*http.Request) {}, ""},
		{"loopback", fromHere, "same-origin"},
		{"TLS", func(r *http.Request) { r.TLS = &tls.ConnectionState{} }, "same-origin"},
	} {
		hd := ask(h, "GET", "/healthz", "", c.change).Header()
		if got := hd.Get("Cross-Origin-Opener-Policy"); got != c.opener || hd.Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: opener policy %q, referrer policy %q; want %q and same-origin", c.name, got, hd.Get("Referrer-Policy"), c.opener)
		}
	}
}

// Streams send no headers of their own: the cookie opens them, and log-out ends them.
func TestEventsNeedALogIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := New(newFakeHome(3), Options{Door: testDoor(t, false), Network: true})
		h := s.Handler()
		if w := ask(h, "GET", "/events", "", func(r *http.Request) { r.Header.Set("Accept", "text/event-stream") }); w.Code != 401 {
			t.Errorf("a stranger's stream = %d, want 401", w.Code)
		}
		member := loggedIn(t, h)
		ended := false
		go func() {
			ask(h, "GET", "/events", "", member)
			ended = true
		}()
		synctest.Wait()
		if ended {
			t.Error("a member's stream ended by itself")
		}
		ask(h, "POST", "/logout", "", member)
		synctest.Wait()
		if !ended {
			t.Error("the stream outlasted the log-out")
		}
	})
}
