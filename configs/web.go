package configs

import (
	"crypto/tls"
	"fmt"
	"net"
	"net/netip"
	"os"
	"regexp"
	"strconv"
	"strings"
	"time"

	"holdfast/dashboards/door"
)

// defaultListen is a port without a well-known use.
const defaultListen = "127.0.0.1:8790"

func (d *decoder) web(w *Web) {
	d.listen(w)
	if q := d.written("web.password_hash"); q != "" && w.PasswordHash.Set() {
		if _, err := door.ParseHash(w.PasswordHash.Reveal()); err != nil {
			d.wrong(q, "%v", err)
		}
	}
	d.tokens(w)
	d.tls(&w.TLS)
	d.hosts(w)
}

// written returns the key that a secret was given by, itself or its file; "" if none.
func (d *decoder) written(path string) string {
	for _, q := range []string{path, path + "_file"} {
		if d.has(q) {
			return q
		}
	}
	return ""
}

// listen checks the address, and that nobody opens the network by accident.
func (d *decoder) listen(w *Web) {
	const path = "web.listen"
	if !d.has(path) {
		w.Listen = defaultListen
		return
	}
	if d.faulty(path) {
		return
	}
	host, port, err := net.SplitHostPort(w.Listen)
	if err != nil {
		d.wrong(path, "%q is no address and port; write one such as %s", cut(w.Listen), defaultListen)
		return
	}
	n, err := strconv.ParseUint(port, 10, 16)
	a, ipErr := netip.ParseAddr(host)
	switch {
	case err != nil || len(port) > 5:
		d.wrong(path, "port %q is outside the range; write 1 to 65535, or 0 for any free one", cut(port))
	case loopback(host):
	case host != "" && ipErr != nil && !hostName.MatchString(host):
		d.wrong(path, "%q is no address of this machine; write 0.0.0.0:%d for every one it has", cut(host), n)
	case d.written("web.password_hash") == "":
		d.wrong(path, "%q is open to the network, and there is no password; run holdfast password, or write 127.0.0.1:%d", cut(w.Listen), n)
	case d.has("web.tls"):
	case ipErr == nil && !a.IsUnspecified() && !door.Private(a):
		d.wrong(path, "%q is a public address: without encryption the password would cross the internet readable; add tls: { kind: self-signed }", cut(w.Listen))
	default:
		d.warn(d.at(path), path, "connections are not encrypted: whoever is on the home's network can read the password, and others are turned away; add tls: { kind: self-signed }")
	}
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

func (d *decoder) tokens(w *Web) {
	if d.has("web.tokens") && d.written("web.password_hash") == "" && !d.faulty("web.tokens") {
		d.wrong("web.tokens", "does nothing without a password, for then nobody is asked; run holdfast password, or remove it")
	}
	seen := map[string]int{}
	for i, t := range w.Tokens {
		p := fmt.Sprintf("web.tokens[%d]", i)
		if !d.missing(p, "name", "name: and what the program is called") {
			d.unique(seen, t.Name, p+".name")
		}
		q := d.written(p + ".token")
		if q == "" {
			if !d.faulty(p) {
				d.wrong(p, "token is missing; run holdfast password --token and take its line")
			}
			continue
		}
		if t.Token.Set() {
			if _, err := door.ParseToken(t.Name, t.Token.Reveal()); err != nil {
				d.wrong(q, "%v", err)
			}
		}
	}
}

// tls checks the certificate as far as can be known before somebody connects. An
// expired one is a warning: measuring must not stop for it.
func (d *decoder) tls(t *TLS) {
	const p = "web.tls"
	if !d.has(p) || d.faulty(p) || d.missing(p, "kind", "kind: self-signed or files") || d.faulty(p+".kind") {
		return
	}
	d.others(*t, t.Kind, p)
	if t.Kind != "files" {
		return
	}
	noCert := d.missing(p, "cert", "cert: and a PEM file")
	noKey := d.missing(p, "key", "key: and a PEM file")
	if noCert || noKey || d.faulty(p+".cert") || d.faulty(p+".key") {
		return
	}
	t.Cert, t.Key = d.resolve(t.Cert), d.resolve(t.Key)
	cert, ok := d.pem(p+".cert", t.Cert)
	key, ok2 := d.pem(p+".key", t.Key)
	if !ok || !ok2 {
		return
	}
	if info, err := os.Stat(t.Key); err == nil && info.Mode().Perm()&0o004 != 0 {
		d.warn(d.at(p+".key"), p+".key", "everybody on this machine can read %s (mode %04o); run chmod 600 on it", t.Key, info.Mode().Perm())
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		what := strings.TrimPrefix(err.Error(), "tls: ")
		if strings.Contains(what, "does not match") { // the library has no error to compare with
			what = "the key is not that of the certificate"
		}
		d.wrong(p+".key", "%s and %s do not work together: %s; name a certificate and its own key, both PEM", t.Cert, t.Key, what)
		return
	}
	leaf := pair.Leaf
	switch now := time.Now(); {
	case now.After(leaf.NotAfter):
		d.warn(d.at(p+".cert"), p+".cert", "the certificate in %s expired on %s, and browsers will refuse it; renew it", t.Cert, leaf.NotAfter.Format(time.DateOnly))
	case now.Before(leaf.NotBefore):
		d.warn(d.at(p+".cert"), p+".cert", "the certificate in %s is good from %s only; look at the clock of this machine", t.Cert, leaf.NotBefore.Format(time.DateOnly))
	case leaf.NotAfter.Sub(now) < 14*24*time.Hour:
		d.warn(d.at(p+".cert"), p+".cert", "the certificate in %s expires on %s; renew it", t.Cert, leaf.NotAfter.Format(time.DateOnly))
	}
}

// maxPEM is more than any chain of certificates needs.
const maxPEM = 256 << 10

func (d *decoder) pem(path, name string) ([]byte, bool) {
	info, err := os.Stat(name)
	switch {
	case err != nil:
		d.wrong(path, "%s; name a PEM file", strings.TrimPrefix(err.Error(), "stat "))
		return nil, false
	case !info.Mode().IsRegular() || info.Size() > maxPEM:
		d.wrong(path, "%s is no ordinary file of at most 256 KiB; name a PEM file", name)
		return nil, false
	}
	b, err := os.ReadFile(name)
	if err != nil {
		d.wrong(path, "%s; name a PEM file that holdfast may read", plainPathError(err))
		return nil, false
	}
	return b, true
}

// hostName is a name by RFC 1123, section 2.1.
var hostName = regexp.MustCompile(`(?i)^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*\.?$`)

func (d *decoder) hosts(w *Web) {
	seen := map[string]int{}
	for i, h := range w.Hosts {
		p := fmt.Sprintf("web.hosts[%d]", i)
		if d.faulty(p) {
			continue
		}
		h = strings.ToLower(strings.TrimSuffix(h, "."))
		w.Hosts[i] = h
		_, err := netip.ParseAddr(h)
		if h == "" || err != nil && !hostName.MatchString(h) {
			d.wrong(p, "%q is no name of a machine; write one such as tv.home.arpa, without http:// and port", cut(h))
			continue
		}
		d.unique(seen, h, p)
	}
	if len(w.Hosts) > 0 && d.written("web.password_hash") == "" {
		d.warn(d.at("web.hosts"), "web.hosts", "there is no password: whoever reaches this machine by these names, through a proxy, sees and changes everything; run holdfast password")
	}
}
