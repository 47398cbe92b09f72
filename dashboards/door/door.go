// Package door decides who may come in over the network: people by a password, for
// which their browser gets a cookie, and programs by a token.
//
// It knows requests, not pages: package dashboards asks it at each route, and writes
// what people see.
package door

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"golang.org/x/time/rate"
)

// Options of a Door.
type Options struct {
	Password Password
	Tokens   []Token
	// Sessions is the file that keeps log-ins over a restart; "": they end with it.
	Sessions string
	// Proxied says that only this machine can reach the door: then whoever comes from
	// outside comes through a program here, and being here proves nothing.
	Proxied bool
	Log     *slog.Logger // nil: nothing is logged
}

// A Door knows who is in. It may be used concurrently.
type Door struct {
	options  Options
	log      *slog.Logger
	tokens   []Token
	sessions *sessions
	limits   *limits
	hashing  chan struct{} // one hash at a time: each takes 19 MiB
	turned   rate.Sometimes
}

// New returns a Door. Sessions that it kept before are in again, unless the password
// has changed.
func New(o Options) (*Door, error) {
	if len(o.Password.hash) == 0 {
		return nil, errors.New("open the door: Password is missing")
	}
	d := &Door{options: o, log: o.Log, tokens: o.Tokens, limits: newLimits(), hashing: make(chan struct{}, 1), turned: rate.Sometimes{Interval: time.Minute}}
	if d.log == nil {
		d.log = slog.New(slog.DiscardHandler)
	}
	d.sessions = openSessions(o.Sessions, o.Password, d.log)
	return d, nil
}

// A Token opens the door to a program that sends it as Authorization: Bearer
// (RFC 6750).
type Token struct {
	Name string
	sum  [sha256.Size]byte
}

// hashedToken begins a token of which only the SHA-256 is known, in hexadecimal. A
// token is long and random, so a plain hash does.
const hashedToken = "sha256:"

// MinToken is the length of the shortest token, ours: 32 characters of hexadecimal
// are 128 bits.
const MinToken = 32

// ParseToken takes a token as it is sent, or sha256: and its hash in hexadecimal. The
// error never shows it.
func ParseToken(name, text string) (Token, error) {
	t := Token{Name: name}
	if h, ok := strings.CutPrefix(text, hashedToken); ok {
		b, err := hex.DecodeString(h)
		if err != nil || copy(t.sum[:], b) != len(t.sum) || len(b) != len(t.sum) {
			return Token{}, errors.New("it is no SHA-256 in hexadecimal; run holdfast password --token and take its line")
		}
		return t, nil
	}
	if len(text) < MinToken || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return Token{}, fmt.Errorf("it is shorter than %d characters, or holds others than ASCII; run holdfast password --token and take its line", MinToken)
	}
	t.sum = sha256.Sum256([]byte(text))
	return t, nil
}

// A Caller is who sent a request.
type Caller int

// Callers.
const (
	Stranger Caller = iota
	Here            // a program on this machine
	Program         // by a token
	Person          // by a log-in
)

const staySeconds = int(stay / time.Second)

// Cookie is the name of the cookie that a log-in gives.
const Cookie = "holdfast-session"

// Who says who sent a request. A person's request comes back with a context that ends
// at log-out, so that streams end then; w gets the cookie afresh once a day. done
// must be called when the request is over.
func (d *Door) Who(w http.ResponseWriter, r *http.Request) (c Caller, in *http.Request, done func()) {
	done = func() {}
	if c, err := r.Cookie(Cookie); err == nil {
		if s, again := d.sessions.use(c.Value); s != nil {
			if again {
				http.SetCookie(w, cookie(r, c.Value, staySeconds))
			}
			ctx, cancel := context.WithCancel(r.Context())
			unhook := context.AfterFunc(s.ctx, cancel)
			return Person, r.WithContext(context.WithValue(ctx, person{}, true)), func() { unhook(); cancel() }
		}
	}
	if kind, token, _ := strings.Cut(r.Header.Get("Authorization"), " "); strings.EqualFold(kind, "Bearer") {
		sum := sha256.Sum256([]byte(strings.TrimSpace(token)))
		for _, t := range d.tokens {
			if subtle.ConstantTimeCompare(sum[:], t.sum[:]) == 1 {
				return Program, r, done
			}
		}
	}
	if p := peer(r); p.IsLoopback() && !d.options.Proxied && r.Header.Get("X-Forwarded-For") == "" && r.Header.Get("Forwarded") == "" {
		return Here, r, done
	}
	return Stranger, r, done
}

type person struct{}

// LoggedIn reports whether a person's log-in let a request through: then there is
// something to log out of.
func LoggedIn(ctx context.Context) bool { return ctx.Value(person{}) != nil }

// ErrWrong is all that a failed log-in says.
var ErrWrong = errors.New("that password is not right")

// Limited says that a log-in was not even looked at.
type Limited struct{ Wait time.Duration }

func (l Limited) Error() string {
	return fmt.Sprintf("too many log-ins; the next one is looked at in %s", l.Wait)
}

// Enter logs a person in and sets the cookie. The error is ErrWrong, Limited, or that
// of the request's context.
func (d *Door) Enter(w http.ResponseWriter, r *http.Request, password string) error {
	from := peer(r)
	if wait := d.limits.take(from); wait > 0 {
		d.turned.Do(func() { d.log.Warn("log-ins are coming too fast; some are turned away", "from", from.String()) })
		return Limited{wait}
	}
	select {
	case d.hashing <- struct{}{}:
		defer func() { <-d.hashing }()
	case <-r.Context().Done():
		return r.Context().Err()
	}
	if len(password) > MaxPassword {
		password = "" // hashed all the same: no failure is quicker than another
	}
	if !d.options.Password.matches(password) {
		d.log.Warn("a log-in was refused", "from", from.String())
		return ErrWrong
	}
	http.SetCookie(w, cookie(r, d.sessions.begin(), staySeconds))
	d.log.Info("somebody logged in", "from", from.String())
	return nil
}

// Leave logs a person out and takes the cookie back.
func (d *Door) Leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(Cookie); err == nil {
		d.sessions.end(c.Value)
	}
	http.SetCookie(w, cookie(r, "", -1))
}

// cookie is closed to scripts and to posts from other sites, and kept to encrypted
// connections where it came by one. A proxy in between says so in X-Forwarded-Proto:
// a client that lies there harms its own cookie alone.
func cookie(r *http.Request, value string, seconds int) *http.Cookie {
	return &http.Cookie{
		Name: Cookie, Value: value, Path: "/", MaxAge: seconds,
		HttpOnly: true, SameSite: http.SameSiteLaxMode,
		Secure: r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https",
	}
}

// peer is the address at the other end of the connection; invalid if there is none.
func peer(r *http.Request) netip.Addr {
	a, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return a.Addr().Unmap().WithZone("")
}

// Near reports whether a request without encryption comes from the home's own
// network: this machine, private and link-local addresses, those shared behind one
// provider (RFC 6598), and neighbours of the address that it came to, of which an
// IPv6 link numbers 64 bits (RFC 4291, section 2.5.1).
func Near(r *http.Request) bool {
	p := peer(r)
	if Private(p) {
		return true
	}
	local, ok := r.Context().Value(http.LocalAddrContextKey).(interface{ String() string })
	if !ok || !p.Is6() {
		return false
	}
	l, err := netip.ParseAddrPort(local.String())
	if err != nil {
		return false
	}
	link, err := l.Addr().WithZone("").Prefix(64)
	return err == nil && l.Addr().Is6() && link.Contains(p)
}

var shared = netip.MustParsePrefix("100.64.0.0/10") // RFC 6598

// Private reports whether an address is of a network that the internet does not
// reach.
func Private(a netip.Addr) bool {
	a = a.Unmap()
	return a.IsLoopback() || a.IsPrivate() || a.IsLinkLocalUnicast() || shared.Contains(a)
}
