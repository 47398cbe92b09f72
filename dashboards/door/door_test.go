package door

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

const (
	phrase = "thirty-three larks"
	// By the reference implementation of RFC 9106, version 20171227:
	// argon2 saltsaltsaltsalt -id -t 2 -k 19456 -p 1 -l 32 -v 13 -e
	published = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0c2FsdA$dA8hJ4S77Me3LvWQCx4GY2L/uld9S9vztxt03wiuY04"
	token     = "0123456789abcdef0123456789abcdef"
)

func password(t *testing.T) Password {
	t.Helper()
	p, err := ParseHash(published)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func newDoor(t *testing.T, o Options) *Door {
	t.Helper()
	o.Password = password(t)
	d, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestHashOfTheReferenceImplementation(t *testing.T) {
	p := password(t)
	if !p.matches(phrase) {
		t.Errorf("%q does not match its published hash", phrase)
	}
	for _, no := range []string{"", "thirty-three lark", "thirty-three larks ", "Thirty-three larks"} {
		if p.matches(no) {
			t.Errorf("%q matches, want it refused", no)
		}
	}
}

func TestHash(t *testing.T) {
	a, err := Hash(phrase)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := Hash(phrase)
	if a == b {
		t.Error("two hashes of a password are alike, want a salt each")
	}
	p, err := ParseHash(a)
	if err != nil || !p.matches(phrase) || p.memory != 19456 || p.passes != 2 || p.lanes != 1 || len(p.salt) != 16 || len(p.hash) != 32 {
		t.Errorf("hash %s read as %d KiB, %d passes, %d lanes; err %v", a, p.memory, p.passes, p.lanes, err)
	}
	for _, no := range []string{"", "seven77", strings.Repeat("x", MaxPassword+1)} {
		if h, err := Hash(no); err == nil {
			t.Errorf("Hash of %d bytes = %s, want a refusal", len(no), h)
		}
	}
}

func TestParseHashRefuses(t *testing.T) {
	for _, line := range []string{
		"", phrase, published + "\n", " " + published,
		strings.Replace(published, "argon2id", "argon2i", 1),
		strings.Replace(published, "v=19", "v=16", 1),
		strings.Replace(published, "m=19456", "m=0", 1),
		strings.Replace(published, "m=19456", "m=7", 1),      // below 8 a lane, RFC 9106, section 3.1
		strings.Replace(published, "m=19456", "m=262145", 1), // more than 256 MiB
		strings.Replace(published, "t=2", "t=0", 1),
		strings.Replace(published, "t=2", "t=100", 1),
		strings.Replace(published, "p=1", "p=0", 1),
		published[:strings.LastIndexByte(published, '$')],
		published[:len(published)-30],
	} {
		if _, err := ParseHash(line); err == nil {
			t.Errorf("ParseHash(%q) is taken, want a refusal", line)
		} else if line != "" && strings.Contains(err.Error(), line) {
			t.Errorf("the error shows the line: %v", err)
		}
	}
	if _, err := New(Options{}); err == nil {
		t.Error("a door without a password opens, want an error")
	}
}

// enter logs in from an address and returns the cookie, if any.
func enter(d *Door, from, pass string) (*http.Cookie, error) {
	r := httptest.NewRequest("POST", "http://tv.example/login", nil)
	r.RemoteAddr = net.JoinHostPort(from, "5000")
	w := httptest.NewRecorder()
	err := d.Enter(w, r, pass)
	for _, c := range w.Result().Cookies() {
		return c, err
	}
	return nil, err
}

func who(d *Door, change func(*http.Request)) Caller {
	r := httptest.NewRequest("GET", "http://tv.example/", nil)
	r.RemoteAddr = "192.168.7.9:5000"
	change(r)
	c, _, done := d.Who(httptest.NewRecorder(), r)
	done()
	return c
}

func TestWhoIsWho(t *testing.T) {
	sum := sha256.Sum256([]byte(token + "2"))
	plain, err := ParseToken("plain", token)
	if err != nil {
		t.Fatal(err)
	}
	hashed, err := ParseToken("hashed", "sha256:"+hex.EncodeToString(sum[:]))
	if err != nil {
		t.Fatal(err)
	}
	d := newDoor(t, Options{Tokens: []Token{plain, hashed}})
	proxied := newDoor(t, Options{Proxied: true})
	in, err := enter(d, "192.168.7.9", phrase)
	if err != nil {
		t.Fatal(err)
	}
	bearer := func(v string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Authorization", v) }
	}
	from := func(a string) func(*http.Request) { return func(r *http.Request) { r.RemoteAddr = a } }
	for _, c := range []struct {
		name   string
		door   *Door
		change func(*http.Request)
		want   Caller
	}{
		{"nobody", d, func(*http.Request) {}, Stranger},
		{"a session", d, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: Cookie, Value: in.Value}) }, Person},
		{"another session", d, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: Cookie, Value: in.Value + "A"}) }, Stranger},
		{"the stored hash for a session", d, func(r *http.Request) {
			s := sha256.Sum256([]byte(in.Value))
			r.AddCookie(&http.Cookie{Name: Cookie, Value: hex.EncodeToString(s[:])})
		}, Stranger},
		{"another cookie's name", d, func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "session", Value: in.Value}) }, Stranger},
		{"a token", d, bearer("Bearer " + token), Program},
		{"a token, other case of the scheme", d, bearer("bearer  " + token), Program},
		{"a token kept as a hash", d, bearer("Bearer " + token + "2"), Program},
		{"the hash for the token", d, bearer("Bearer " + hex.EncodeToString(sum[:])), Stranger},
		{"a wrong token", d, bearer("Bearer " + token + "3"), Stranger},
		{"no token", d, bearer("Bearer "), Stranger},
		{"the password as a token", d, bearer("Bearer " + phrase), Stranger},
		{"the password by Basic", d, func(r *http.Request) { r.SetBasicAuth("", phrase) }, Stranger},
		{"this machine", d, from("127.0.0.1:99"), Here},
		{"this machine, IPv6", d, from("[::1]:99"), Here},
		{"this machine, mapped", d, from("[::ffff:127.0.0.1]:99"), Here},
		{"a proxy on this machine", d, func(r *http.Request) {
			r.RemoteAddr = "127.0.0.1:99"
			r.Header.Set("X-Forwarded-For", "203.0.113.7")
		}, Stranger},
		{"another proxy on this machine (RFC 7239)", d, func(r *http.Request) {
			r.RemoteAddr = "127.0.0.1:99"
			r.Header.Set("Forwarded", "for=203.0.113.7")
		}, Stranger},
		{"this machine, which alone is listened to", proxied, from("127.0.0.1:99"), Stranger},
		{"no address", d, from("@"), Stranger},
	} {
		if got := who(c.door, c.change); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	for _, no := range []string{"", "short", strings.Repeat("ü", 40), token + " x", "sha256:", "sha256:00", "sha256:" + strings.Repeat("g", 64), "sha256:" + strings.Repeat("0", 66)} {
		if _, err := ParseToken("x", no); err == nil {
			t.Errorf("token %q is taken, want a refusal", no)
		}
	}
}

func TestCookie(t *testing.T) {
	d := newDoor(t, Options{})
	for _, c := range []struct {
		name   string
		change func(*http.Request)
		secure bool
	}{
		{"plain", func(*http.Request) {}, false},
		{"TLS", func(r *http.Request) { r.TLS = &tls.ConnectionState{} }, true},
		{"TLS at a proxy", func(r *http.Request) { r.Header.Set("X-Forwarded-Proto", "https") }, true},
	} {
		r := httptest.NewRequest("POST", "http://tv.example/login", nil)
		c.change(r)
		w := httptest.NewRecorder()
		if err := d.Enter(w, r, phrase); err != nil {
			t.Fatal(err)
		}
		k := w.Result().Cookies()[0]
		if !k.HttpOnly || k.SameSite != http.SameSiteLaxMode || k.Secure != c.secure || k.Path != "/" || k.Domain != "" || k.MaxAge != 30*86400 {
			t.Errorf("%s: cookie %s; want HttpOnly, SameSite=Lax, Path=/, 30 days, Secure %v", c.name, k, c.secure)
		}
		if len(k.Value) != 43 { // 32 bytes in base64
			t.Errorf("%s: %d characters of secret, want 43", c.name, len(k.Value))
		}
		w = httptest.NewRecorder()
		r.AddCookie(k)
		d.Leave(w, r)
		if k := w.Result().Cookies()[0]; k.MaxAge >= 0 || k.Value != "" || !k.HttpOnly {
			t.Errorf("%s: after leaving the cookie is %s", c.name, k)
		}
		if got := who(d, func(r *http.Request) { r.AddCookie(k) }); got != Stranger {
			t.Errorf("%s: the old cookie is %v after log-out, want a stranger's", c.name, got)
		}
	}
}

// A person's streams end at log-out; other people's go on.
func TestLeavingEndsStreams(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t, Options{})
		stream := func() (*http.Cookie, context.Context) {
			k, err := enter(d, "192.168.7.9", phrase)
			if err != nil {
				t.Fatal(err)
			}
			r := httptest.NewRequest("GET", "http://tv.example/events", nil).WithContext(t.Context())
			r.AddCookie(k)
			c, in, done := d.Who(httptest.NewRecorder(), r)
			t.Cleanup(done)
			if c != Person || !LoggedIn(in.Context()) || LoggedIn(r.Context()) {
				t.Fatalf("caller %v, logged in %v", c, LoggedIn(in.Context()))
			}
			return k, in.Context()
		}
		ka, a := stream()
		_, b := stream()
		r := httptest.NewRequest("POST", "http://tv.example/logout", nil)
		r.AddCookie(ka)
		d.Leave(httptest.NewRecorder(), r)
		synctest.Wait()
		if a.Err() == nil || b.Err() != nil {
			t.Errorf("after one logged out: own stream %v, other's %v; want ended and open", a.Err(), b.Err())
		}
	})
}

// A log-in lasts 30 days from its last use, and a use is noted once a day.
func TestSessionsSlide(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDoor(t, Options{})
		k, err := enter(d, "192.168.7.9", phrase)
		if err != nil {
			t.Fatal(err)
		}
		use := func() (Caller, int) {
			r := httptest.NewRequest("GET", "http://tv.example/", nil)
			r.RemoteAddr = "192.168.7.9:5000"
			r.AddCookie(k)
			w := httptest.NewRecorder()
			c, _, done := d.Who(w, r)
			done()
			return c, len(w.Result().Cookies())
		}
		for _, s := range []struct {
			after   time.Duration
			want    Caller
			cookies int
		}{
			{0, Person, 0},
			{23 * time.Hour, Person, 0},
			{time.Hour, Person, 1}, // a day: the cookie comes afresh
			{time.Minute, Person, 0},
			{30*24*time.Hour - 2*time.Minute, Person, 1},
			{30*24*time.Hour - time.Second, Person, 1},
			{30 * 24 * time.Hour, Stranger, 0},
			{0, Stranger, 0},
		} {
			time.Sleep(s.after)
			if c, n := use(); c != s.want || n != s.cookies {
				t.Errorf("%s later: caller %v with %d cookies, want %v with %d", s.after, c, n, s.want, s.cookies)
			}
		}
	})
}

func TestRateOfLogIns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		d := newDoor(t, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
		// One client: five at once, then one each 20 s. The right password is turned
		// away like any other.
		for i := range 5 {
			if _, err := enter(d, "192.168.7.9", "wrong"); !errors.Is(err, ErrWrong) {
				t.Fatalf("log-in %d = %v, want ErrWrong", i+1, err)
			}
		}
		k, err := enter(d, "192.168.7.9", phrase)
		if l, ok := errors.AsType[Limited](err); !ok || l.Wait != 20*time.Second || k != nil {
			t.Errorf("the sixth = %v, %v; want turned away for 20 s", k, err)
		}
		time.Sleep(19 * time.Second)
		if _, err := enter(d, "192.168.7.9", phrase); err == nil {
			t.Error("after 19 s it is looked at, want turned away")
		}
		// Others are not its victims, and a turned away one costs them nothing.
		for range 100 {
			_, _ = enter(d, "192.168.7.9", "wrong")
		}
		if _, err := enter(d, "192.168.7.10", phrase); err != nil {
			t.Errorf("another client = %v, want in", err)
		}
		time.Sleep(time.Second)
		if _, err := enter(d, "192.168.7.9", phrase); err != nil {
			t.Errorf("after 20 s = %v, want in", err)
		}
		if s := log.String(); strings.Contains(s, phrase) || strings.Contains(s, "wrong\"") || !strings.Contains(s, "from=192.168.7.9") || strings.Count(s, "turned away") != 1 {
			t.Errorf("the log shows a password, or not who knocked, or each that was turned away:\n%s", s)
		}
		// All together: 20 at once, then one each 2 s. IPv6 addresses of one link are
		// one client.
		time.Sleep(time.Hour)
		n := 0
		for i := range 40 {
			if _, err := enter(d, fmt.Sprintf("2001:db8:0:%x::1", i), "wrong"); errors.Is(err, ErrWrong) {
				n++
			}
		}
		if n != 20 {
			t.Errorf("%d of 40 clients at once were looked at, want 20", n)
		}
		time.Sleep(time.Hour)
		n = 0
		for i := range 20 {
			if _, err := enter(d, fmt.Sprintf("2001:db8::%x", i+1), "wrong"); errors.Is(err, ErrWrong) {
				n++
			}
		}
		if n != 5 {
			t.Errorf("%d of 20 log-ins from one link were looked at, want 5", n)
		}
	})
}

func TestClientsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLimits()
		a := netip.MustParseAddr("10.0.0.0")
		for range 3 * mostClients {
			l.take(a)
			a = a.Next()
		}
		if len(l.clients) > mostClients {
			t.Errorf("%d clients are remembered, want at most %d", len(l.clients), mostClients)
		}
		time.Sleep(time.Hour)
		if w := l.take(a.Next()); w != 0 {
			t.Errorf("an hour later: wait %s, want none", w)
		}
	})
}

// Hashes run one at a time: each needs 19 MiB. A client that goes away leaves the queue.
func TestOneHashAtATime(t *testing.T) {
	d := newDoor(t, Options{})
	d.hashing <- struct{}{} // one is busy
	ctx, cancel := context.WithCancel(t.Context())
	r := httptest.NewRequest("POST", "http://tv.example/login", nil).WithContext(ctx)
	var wg sync.WaitGroup
	var got error
	wg.Go(func() { got = d.Enter(httptest.NewRecorder(), r, phrase) })
	cancel()
	wg.Wait()
	if !errors.Is(got, context.Canceled) {
		t.Errorf("Enter = %v while another hash runs and the client leaves, want canceled", got)
	}
	<-d.hashing
	if _, err := enter(d, "192.168.7.9", phrase); err != nil {
		t.Errorf("Enter = %v afterwards, want in", err)
	}
}

func TestSessionsOutlastARestart(t *testing.T) {
	file := filepath.Join(t.TempDir(), "sessions.json")
	k, err := enter(newDoor(t, Options{Sessions: file}), "192.168.7.9", phrase)
	if err != nil {
		t.Fatal(err)
	}
	with := func(r *http.Request) { r.AddCookie(k) }
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("file mode %v, %v; want 0600", info.Mode(), err)
	}
	if s := string(b); strings.Contains(s, k.Value) || strings.Contains(s, phrase) {
		t.Errorf("the file holds a secret: %s", s)
	}
	if got := who(newDoor(t, Options{Sessions: file}), with); got != Person {
		t.Errorf("after a restart: %v, want a person", got)
	}
	// Another password ends them all.
	h, err := Hash("sixty-six geese")
	if err != nil {
		t.Fatal(err)
	}
	p, _ := ParseHash(h)
	d, err := New(Options{Password: p, Sessions: file})
	if err != nil {
		t.Fatal(err)
	}
	if got := who(d, with); got != Stranger {
		t.Errorf("after a new password: %v, want a stranger", got)
	}
	// A file that is torn is no reason not to start.
	var log bytes.Buffer
	if err := os.WriteFile(file, b[:len(b)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	d = newDoor(t, Options{Sessions: file, Log: slog.New(slog.NewTextHandler(&log, nil))})
	if got := who(d, with); got != Stranger || strings.Count(log.String(), "everybody logs in again") != 1 {
		t.Errorf("torn file: %v, log %s", got, &log)
	}
	// Nor is a folder that cannot be written: the log-in lasts while the process does.
	d = newDoor(t, Options{Sessions: filepath.Join(t.TempDir(), "none", "sessions.json"), Log: slog.New(slog.NewTextHandler(&log, nil))})
	k, err = enter(d, "192.168.7.9", phrase)
	if err != nil || who(d, with) != Person || !strings.Contains(log.String(), "will not outlast a restart") {
		t.Errorf("no folder: %v, log %s", err, &log)
	}
}

func TestSessionsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := openSessions("", password(t), slog.New(slog.DiscardHandler))
		first := s.begin()
		time.Sleep(time.Second)
		for range mostSessions {
			s.begin()
		}
		if in, _ := s.use(first); in != nil || len(s.all) != mostSessions {
			t.Errorf("%d sessions, the oldest there %v; want %d without it", len(s.all), in != nil, mostSessions)
		}
	})
}

func TestNear(t *testing.T) {
	for _, c := range []struct {
		peer, local string
		want        bool
	}{
		{"127.0.0.1:1", "127.0.0.1:80", true},
		{"192.168.7.9:1", "192.168.7.4:80", true},
		{"10.1.2.3:1", "192.168.7.4:80", true},
		{"100.100.1.1:1", "100.100.1.2:80", true},
		{"[fe80::1%eth0]:1", "[fe80::2%eth0]:80", true},
		{"[fd12::1]:1", "[fd34::2]:80", true},
		{"[2001:db8:0:7::9]:1", "[2001:db8:0:7::4]:80", true},
		{"[2001:db8:0:8::9]:1", "[2001:db8:0:7::4]:80", false},
		{"203.0.113.7:1", "192.168.7.4:80", false},
		{"203.0.113.7:1", "203.0.113.9:80", false}, // no telling how large an IPv4 link is
		{"[::ffff:203.0.113.7]:1", "[::ffff:192.168.7.4]:80", false},
		{"[::ffff:192.168.7.9]:1", "[::ffff:192.168.7.4]:80", true},
		{"172.32.0.1:1", "192.168.7.4:80", false},
		{"@", "192.168.7.4:80", false},
	} {
		local, err := netip.ParseAddrPort(c.local)
		if err != nil {
			t.Fatal(err)
		}
		r := httptest.NewRequest("GET", "http://tv.example/", nil)
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.TCPAddrFromAddrPort(local)))
		r.RemoteAddr = c.peer
		if got := Near(r); got != c.want {
			t.Errorf("Near(%s at %s) = %v, want %v", c.peer, c.local, got, c.want)
		}
	}
}
