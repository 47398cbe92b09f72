// Package address knows the addresses that a config may name: web addresses, some
// with placeholders, and which machines they may reach. It has the one HTTP client
// for fetching from them.
package address

import (
	"errors"
	"fmt"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

// A Template is a web address with placeholders such as {frequency_hz} in its path or
// query. It may hold a secret: String shows no more than scheme and host.
type Template struct {
	text string
	url  *url.URL // without placeholders filled in: for scheme and host alone
}

var placeholder = regexp.MustCompile(`\{([^{}]*)\}`)

// OfVisit lists the placeholders of a tuner's addresses: what a visit is to measure.
// Frequencies and bandwidth are of the channel, its middle; rf is its number, layer its
// layer or PLP, dwell_s how long is measured.
func OfVisit() []string {
	return []string{"frequency_hz", "frequency_khz", "frequency_mhz", "bandwidth_hz", "rf", "system", "layer", "dwell_s"}
}

// Parse reads a template whose placeholders are among those given. Its error names a
// placeholder or a part of the address, never the whole, which may hold a secret.
func Parse(text string, placeholders []string) (Template, error) {
	for _, m := range placeholder.FindAllStringSubmatch(text, -1) {
		if !slices.Contains(placeholders, m[1]) {
			return Template{}, fmt.Errorf("placeholder {%.30s} is not known; there are {%s}", printable(m[1]), strings.Join(placeholders, "}, {"))
		}
	}
	plain := placeholder.ReplaceAllString(text, "0")
	if strings.ContainsAny(plain, "{}") {
		return Template{}, errors.New("a { has no }, or the other way round; write placeholders such as {frequency_hz}, other braces as %7B and %7D")
	}
	u, err := url.Parse(plain)
	switch {
	case err != nil || u.Scheme == "" || u.Opaque != "" || u.Scheme != "http" && u.Scheme != "https":
		return Template{}, errors.New("is no web address; begin it with http:// or https:// and a host")
	case u.Hostname() == "":
		return Template{}, errors.New("has no host; write one such as http://192.0.2.7/status.json")
	case u.User != nil:
		return Template{}, errors.New("has a user in it; give user and password by keys of their own")
	case u.Fragment != "" || strings.Contains(plain, "#"):
		return Template{}, errors.New("has a # in it, which no device is sent; write %23 if it is meant")
	}
	if i := strings.IndexAny(text, "{"); i >= 0 {
		if end := len(u.Scheme) + len("://") + strings.IndexAny(text[len(u.Scheme)+len("://"):]+"/", "/?"); i < end {
			return Template{}, errors.New("has a placeholder in its host; placeholders belong into path and query")
		}
	}
	if a, err := netip.ParseAddr(u.Hostname()); err == nil {
		if err := Reachable(a); err != nil {
			return Template{}, err
		}
	}
	return Template{text, u}, nil
}

// Set reports whether there is an address.
func (t Template) Set() bool { return t.url != nil }

// Host is host and port as written, for messages.
func (t Template) Host() string {
	if t.url == nil {
		return ""
	}
	return t.url.Host
}

// String shows no path and no query.
func (t Template) String() string {
	if t.url == nil {
		return ""
	}
	return t.url.Scheme + "://" + t.url.Host + "/..."
}

// Uses reports whether the template has a placeholder.
func (t Template) Uses(name string) bool { return strings.Contains(t.text, "{"+name+"}") }

// Fill returns the address with values in the places of their placeholders, escaped
// so that each stays within its part of the path or query.
func (t Template) Fill(values map[string]string) (string, error) {
	query := strings.IndexByte(t.text, '?')
	if query < 0 {
		query = len(t.text)
	}
	var b strings.Builder
	at := 0
	for _, m := range placeholder.FindAllStringSubmatchIndex(t.text, -1) {
		name := t.text[m[2]:m[3]]
		v, ok := values[name]
		if !ok {
			return "", fmt.Errorf("there is no value for placeholder {%s}", name)
		}
		b.WriteString(t.text[at:m[0]])
		switch {
		case m[0] > query:
			v = url.QueryEscape(v)
		case v == "." || v == "..": // as a part of a path it would lead elsewhere
			return "", fmt.Errorf("placeholder {%s} cannot be %q", name, v)
		default:
			v = url.PathEscape(v)
		}
		b.WriteString(v)
		at = m[1]
	}
	b.WriteString(t.text[at:])
	return b.String(), nil
}

func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
}
