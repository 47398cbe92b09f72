package daemon

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"holdfast/configs"
	"holdfast/dashboards"
	"holdfast/dashboards/door"
)

// pages makes the server of the pages, with its door and its encryption.
func (g *gen) pages() (*server, error) {
	w := g.config.Web
	d, err := openDoor(w, g.home.dir, g.log)
	if err != nil {
		return nil, err
	}
	hosts := w.Hosts
	if !w.Loopback() {
		hosts = append(slices.Clone(hosts), ownNames()...)
	}
	g.server = dashboards.New(g.home, dashboards.Options{Version: g.params.Version, Logger: g.log, Hosts: hosts, Door: d, Network: !w.Loopback()})
	config, err := encryption(w, g.home.dir, hosts, g.params.Now, g.log)
	if err != nil {
		return nil, err
	}
	s := newServer("pages", g.server.Server(""), func() (net.Listener, error) {
		l, err := net.Listen("tcp", w.Listen)
		if err != nil && g.params.AnyPort {
			if host, _, serr := net.SplitHostPort(w.Listen); serr == nil {
				l, err = net.Listen("tcp", net.JoinHostPort(host, "0"))
			}
		}
		if err != nil {
			return nil, fmt.Errorf("listen on web.listen %s: %w; choose another port, or stop what has it", w.Listen, err)
		}
		return l, nil
	}, g.log, func(a net.Addr) {
		if g.params.Bound != nil {
			g.params.Bound(pagesURL(a, w))
		}
	})
	s.http.TLSConfig = config
	return s, nil
}

// openDoor makes the door of a config; nil where nobody is asked. What the config
// says is checked already.
func openDoor(w configs.Web, dir string, log *slog.Logger) (*door.Door, error) {
	if !w.PasswordHash.Set() {
		if !w.Loopback() { // refused by configs; this one must not depend on it
			return nil, fmt.Errorf("web.listen %s is open to the network, and there is no password; run holdfast password", w.Listen)
		}
		return nil, nil
	}
	p, err := door.ParseHash(w.PasswordHash.Reveal())
	if err != nil {
		return nil, fmt.Errorf("web.password_hash: %w", err)
	}
	o := door.Options{Password: p, Sessions: filepath.Join(dir, "sessions.json"), Proxied: w.Loopback(), Log: log}
	for _, t := range w.Tokens {
		k, err := door.ParseToken(t.Name, t.Token.Reveal())
		if err != nil {
			return nil, fmt.Errorf("web.tokens: %s: %w", t.Name, err)
		}
		o.Tokens = append(o.Tokens, k)
	}
	return door.New(o)
}

// ownNames are the names by which the home's network may know this machine.
func ownNames() []string {
	h, err := os.Hostname()
	if err != nil || h == "" {
		return nil
	}
	h = strings.ToLower(h)
	first, _, _ := strings.Cut(h, ".")
	return []string{h, first + ".local"} // the latter by multicast DNS, RFC 6762
}

// encryption returns how connections are encrypted, nil if not at all.
func encryption(w configs.Web, dir string, hosts []string, now func() time.Time, log *slog.Logger) (*tls.Config, error) {
	switch w.TLS.Kind {
	case "":
		return nil, nil
	case "files":
		pair, err := tls.LoadX509KeyPair(w.TLS.Cert, w.TLS.Key)
		if err != nil {
			return nil, fmt.Errorf("web.tls: read the certificate %s with the key %s: %w", w.TLS.Cert, w.TLS.Key, err)
		}
		return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}, nil
	}
	own := &ownCertificate{file: filepath.Join(dir, "self-signed.pem"), names: slices.Clone(hosts), now: now, log: log}
	if host, _, err := net.SplitHostPort(w.Listen); err == nil {
		if a, err := netip.ParseAddr(host); err == nil && !a.IsUnspecified() {
			own.names = append(own.names, a.WithZone("").String())
		} else if err != nil && host != "" {
			own.names = append(own.names, host)
		}
	}
	if err := own.open(); err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: own.get}, nil
}

// pagesURL is an address that a browser can take. Where every address of the machine
// is listened to, it is the first name or address that the home's network may reach.
func pagesURL(a net.Addr, w configs.Web) string {
	scheme := "http"
	if w.TLS.Kind != "" {
		scheme = "https"
	}
	host, port, err := net.SplitHostPort(a.String())
	if err != nil {
		return scheme + "://" + a.String() + "/"
	}
	if ip, err := netip.ParseAddr(host); err == nil && ip.IsUnspecified() {
		host = "localhost"
		if as := homeAddresses(); len(w.Hosts) > 0 {
			host = w.Hosts[0]
		} else if len(as) > 0 {
			host = as[0].String()
		}
	}
	return scheme + "://" + net.JoinHostPort(host, port) + "/"
}

// homeAddresses are this machine's addresses in private networks, IPv4 first.
func homeAddresses() []netip.Addr {
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var out []netip.Addr
	for _, a := range all {
		if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().Unmap().IsPrivate() {
			out = append(out, p.Addr().Unmap())
		}
	}
	slices.SortStableFunc(out, func(a, b netip.Addr) int { return a.BitLen() - b.BitLen() })
	return out
}
