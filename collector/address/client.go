package address

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"syscall"
	"time"
)

// ErrRefused: an address that no config may reach.
var ErrRefused = errors.New("this address is not fetched from")

// Networks in which no tuner and no weather station lives, and where a machine in a
// data centre keeps its credentials: RFC 3927 (link-local, where the metadata service
// of most is), RFC 4291 (link-local), RFC 1122 3.2.1.3 (this host, this network), RFC
// 5771 and RFC 4291 (multicast), RFC 919 (broadcast), and one provider's metadata
// service by IPv6 (from memory).
var refused = []netip.Prefix{
	netip.MustParsePrefix("169.254.0.0/16"),
	netip.MustParsePrefix("fe80::/10"),
	netip.MustParsePrefix("0.0.0.0/8"),
	netip.MustParsePrefix("::/128"),
	netip.MustParsePrefix("224.0.0.0/4"),
	netip.MustParsePrefix("ff00::/8"),
	netip.MustParsePrefix("255.255.255.255/32"),
	netip.MustParsePrefix("fd00:ec2::254/128"),
}

// nat64 addresses hold an IPv4 address in their last four bytes (RFC 6052).
var nat64 = netip.MustParsePrefix("64:ff9b::/96")

// Reachable returns an error that wraps ErrRefused for an address that is not to be
// reached. This machine itself and the home's network may be.
func Reachable(a netip.Addr) error {
	b := a.Unmap().WithZone("")
	if nat64.Contains(b) {
		raw := b.As16()
		b = netip.AddrFrom4([4]byte(raw[12:]))
	}
	for _, p := range refused {
		if p.Contains(b) {
			return fmt.Errorf("%w: %s is in %s; give the device an address of the home's network", ErrRefused, a, p)
		}
	}
	return nil
}

// maxRedirects is one more than any device needs.
const maxRedirects = 3

// NewClient returns a client that reaches what Reachable allows, whatever a name
// resolves to at the time, and follows redirects to the same scheme, host and port
// alone. It uses no proxy and has no timeout: requests carry a context. dial is for
// tests; nil is the network.
func NewClient(dial func(ctx context.Context, network, addr string) (net.Conn, error)) *http.Client {
	if dial == nil {
		dial = (&net.Dialer{Control: control, KeepAlive: 30 * time.Second}).DialContext
	}
	return &http.Client{
		Transport: &http.Transport{
			DialContext:            dial,
			MaxIdleConnsPerHost:    1,
			IdleConnTimeout:        30 * time.Second,
			DisableCompression:     true,
			MaxResponseHeaderBytes: 64 << 10,
		},
		CheckRedirect: func(req *http.Request, via []*http.Request) error {
			from := via[0].URL
			switch {
			case req.URL.Scheme != from.Scheme || req.URL.Host != from.Host:
				return fmt.Errorf("redirects to %s://%.60s, which is not followed; if it is right, write it in the config", printable(req.URL.Scheme), printable(req.URL.Host))
			case len(via) >= maxRedirects:
				return errors.New("redirects in a circle")
			}
			return nil
		},
	}
}

// control looks at each address that a name has resolved to, before it is dialled.
func control(_, addr string, _ syscall.RawConn) error {
	a, err := netip.ParseAddrPort(addr)
	if err != nil {
		return fmt.Errorf("%w: %s", ErrRefused, addr)
	}
	return Reachable(a.Addr())
}

// Bare takes the address out of an error of the HTTP client: it may hold a secret.
func Bare(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		return u.Err
	}
	return err
}
