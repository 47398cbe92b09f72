package daemon

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/cmd/internal/client"
	"holdfast/configs"
)

// lockedHome has a password, thirty-three larks, and a certificate of its own.
const lockedHome = `
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }
channels: [ { rf: 3, name: Tinder } ]
tuners:
  - { name: hall-1, kind: simulated, channels: [3], every: 4s, dwell: 1s }
web:
  listen: "127.0.0.1:0"
  password_hash: $argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0c2FsdA$dA8hJ4S77Me3LvWQCx4GY2L/uld9S9vztxt03wiuY04
  tls: { kind: self-signed }
`

// visitor is a browser that trusts a data folder's certificate alone.
func visitor(t *testing.T, dir string) *http.Client {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(dir, "self-signed.pem"))
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		t.Fatal("the self-signed certificate is no PEM")
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	tr := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}
	t.Cleanup(tr.CloseIdleConnections)
	return &http.Client{Transport: tr, Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

func status(t *testing.T, res *http.Response, err error) int {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	_, _ = io.Copy(io.Discard, res.Body)
	_ = res.Body.Close()
	return res.StatusCode
}

// From the password to the page over TLS; the log-in outlasts a reload and a restart,
// and commands need none.
func TestLockedHome(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	load := func() (configs.Config, error) { return configs.Parse("test.yaml", []byte(lockedHome)) }
	r := start(t, parse(t, lockedHome), dir, load)
	if !strings.HasPrefix(r.url, "https://127.0.0.1:") {
		t.Errorf("pages are at %s, want https", r.url)
	}
	v := visitor(t, dir)
	page := func() int {
		res, err := v.Get(r.url + "/api/answer")
		return status(t, res, err)
	}
	if c := page(); c != 401 {
		t.Errorf("a stranger's answer = %d, want 401", c)
	}
	res, err := v.PostForm(r.url+"/login", url.Values{"password": {"sixty-six geese"}})
	if c := status(t, res, err); c != 403 {
		t.Errorf("a wrong password = %d, want 403", c)
	}
	res, err = v.PostForm(r.url+"/login", url.Values{"password": {"thirty-three larks"}})
	if c := status(t, res, err); c != 303 || res.ProtoMajor != 2 || res.TLS.Version < tls.VersionTLS12 || !res.Cookies()[0].Secure {
		t.Errorf("log-in = %d by HTTP/%d, TLS %x, %v; want 303 by HTTP/2 and a Secure cookie", c, res.ProtoMajor, res.TLS.Version, res.Cookies())
	}
	if c := page(); c != 200 {
		t.Errorf("a member's answer = %d, want 200", c)
	}
	var b bytes.Buffer
	if err := client.Socket(SocketPath(dir)).Get(t.Context(), "/api/answer", &b); err != nil || !strings.Contains(b.String(), "Test Lane") {
		t.Errorf("a command without a log-in: %v", err)
	}
	old, err := tls.Dial("tcp", strings.TrimPrefix(r.url, "https://"), &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10})
	if err == nil {
		_ = old.Close()
		t.Error("TLS 1.1 is spoken, want at least 1.2")
	}
	if l := r.log.String(); strings.Contains(l, "larks") || strings.Contains(l, "geese") || !strings.Contains(l, "a log-in was refused") || !strings.Contains(l, "self-signed") {
		t.Errorf("log:\n%s", l)
	}

	before, err := os.ReadFile(filepath.Join(dir, "self-signed.pem"))
	if err != nil {
		t.Fatal(err)
	}
	r.reload <- syscall.SIGHUP
	r.waitStart(t)
	if err := r.stop(); err != nil {
		t.Fatalf("Run = %v, want nil", err)
	}
	r = start(t, parse(t, lockedHome), dir, nil)
	if c := page(); c != 200 {
		t.Errorf("after a reload and a restart = %d, want still in", c)
	}
	after, err := os.ReadFile(filepath.Join(dir, "self-signed.pem"))
	if err != nil || !bytes.Equal(before, after) {
		t.Errorf("the certificate was made anew without need (%v)", err)
	}
	for _, f := range []string{"self-signed.pem", "sessions.json"} {
		if info, err := os.Stat(filepath.Join(dir, f)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v; want mode 0600", f, info, err)
		}
	}
}

// A renewed certificate comes with a reload; a broken one changes nothing.
func TestCertificateReload(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name string) {
		t.Helper()
		o := &ownCertificate{file: filepath.Join(dir, name), now: time.Now, log: slog.New(slog.DiscardHandler)}
		if err := o.open(); err != nil {
			t.Fatal(err)
		}
	}
	write("a.pem")
	text := strings.Replace(lockedHome, "kind: self-signed", "kind: files, cert: a.pem, key: a.pem", 1)
	load := func() (configs.Config, error) { return configs.Parse(filepath.Join(dir, "test.yaml"), []byte(text)) }
	c, err := load()
	if err != nil {
		t.Fatal(err)
	}
	r := start(t, c, t.TempDir(), load)
	shown := func() string {
		conn, err := tls.Dial("tcp", strings.TrimPrefix(r.url, "https://"), &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		return conn.ConnectionState().PeerCertificates[0].SerialNumber.String()
	}
	first := shown()
	if err := os.WriteFile(filepath.Join(dir, "a.pem"), []byte("torn\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	r.reload <- syscall.SIGHUP
	eventually(t, "the broken certificate is reported", func() bool { return strings.Contains(r.log.String(), "do not work together") })
	if now := shown(); now != first {
		t.Errorf("certificate %s after a failed reload, want %s", now, first)
	}
	if err := os.Remove(filepath.Join(dir, "a.pem")); err != nil {
		t.Fatal(err)
	}
	write("a.pem")
	r.reload <- syscall.SIGHUP
	r.waitStart(t)
	r.url = <-r.bound // any free port: the reload moved it
	if now := shown(); now == first {
		t.Error("the renewed certificate is not shown after a reload")
	}
}

// What a made certificate says, and when another follows.
func TestOwnCertificate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "self-signed.pem")
		var log bytes.Buffer
		open := func(names ...string) *ownCertificate {
			t.Helper()
			o := &ownCertificate{file: file, names: names, now: time.Now, log: slog.New(slog.NewTextHandler(&log, nil))}
			if err := o.open(); err != nil {
				t.Fatal(err)
			}
			return o
		}
		serial := func(o *ownCertificate) string {
			t.Helper()
			c, err := o.get(nil)
			if err != nil {
				t.Fatal(err)
			}
			return c.Leaf.SerialNumber.String()
		}
		o := open("tv.home.arpa", "192.168.7.4", "fd12::1")
		first := serial(o)
		leaf := o.current.Leaf
		for _, n := range []string{"localhost", "127.0.0.1", "::1", "tv.home.arpa", "192.168.7.4", "fd12::1"} {
			if err := leaf.VerifyHostname(n); err != nil {
				t.Errorf("%s: %v", n, err)
			}
		}
		if leaf.IsCA || leaf.VerifyHostname("bank.example") == nil || time.Until(leaf.NotAfter) > 825*24*time.Hour || leaf.PublicKeyAlgorithm != x509.ECDSA {
			t.Errorf("certificate: CA %v, until %s, %s", leaf.IsCA, leaf.NotAfter, leaf.PublicKeyAlgorithm)
		}
		if s := serial(open("tv.home.arpa")); s != first {
			t.Error("a second start makes another certificate, want the same")
		}
		// A month before its end, while it runs.
		time.Sleep(certificateLife - renewBefore - time.Minute)
		if s := serial(o); s != first {
			t.Error("renewed too early")
		}
		time.Sleep(2 * time.Minute)
		second := serial(o)
		if second == first {
			t.Error("not renewed a month before its end")
		}
		// A new name needs a new one; a clock that was wrong then, too.
		third := serial(open("tv.home.arpa", "den.home.arpa"))
		if third == second {
			t.Error("a certificate without a new name is kept")
		}
		early := &ownCertificate{file: file, now: func() time.Time { return time.Now().AddDate(-20, 0, 0) }, log: o.log}
		if err := early.open(); err != nil || serial(early) == third {
			t.Errorf("a certificate of the future is kept (%v)", err)
		}
		// A torn file is replaced, with a word.
		if err := os.WriteFile(file, []byte("torn"), 0o600); err != nil {
			t.Fatal(err)
		}
		serial(open())
		if !strings.Contains(log.String(), "cannot be read; another is made") {
			t.Errorf("log: %s", &log)
		}
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var kinds []string
		for p, rest := pem.Decode(b); p != nil; p, rest = pem.Decode(rest) {
			kinds = append(kinds, p.Type)
		}
		if !slices.Equal(kinds, []string{"CERTIFICATE", "PRIVATE KEY"}) {
			t.Errorf("the file holds %v", kinds)
		}
	})
}

// Even a config that slipped through its checks does not open the network.
func TestNoOpenDoor(t *testing.T) {
	t.Parallel()
	c := parse(t, simulatedHome)
	c.Web.Listen = "0.0.0.0:0"
	err := Run(t.Context(), Params{Config: c, DataDir: t.TempDir(), Log: slog.New(slog.DiscardHandler), Hurry: 20})
	if err == nil || !strings.Contains(err.Error(), "open to the network, and there is no password") {
		t.Errorf("Run = %v, want a refusal", err)
	}
}

func TestPagesURL(t *testing.T) {
	t.Parallel()
	at := func(ip string) net.Addr { return &net.TCPAddr{IP: net.ParseIP(ip), Port: 8790} }
	locked := configs.Web{TLS: configs.TLS{Kind: "self-signed"}, Hosts: []string{"tv.home.arpa"}}
	for _, c := range []struct {
		addr net.Addr
		web  configs.Web
		want string
	}{
		{at("127.0.0.1"), configs.Web{}, "http://127.0.0.1:8790/"},
		{at("::1"), configs.Web{}, "http://[::1]:8790/"},
		{at("192.168.7.4"), configs.Web{TLS: configs.TLS{Kind: "files"}}, "https://192.168.7.4:8790/"},
		{at("::"), locked, "https://tv.home.arpa:8790/"},
		{at("0.0.0.0"), locked, "https://tv.home.arpa:8790/"},
	} {
		if got := pagesURL(c.addr, c.web); got != c.want {
			t.Errorf("pagesURL(%s) = %s, want %s", c.addr, got, c.want)
		}
	}
	if got := pagesURL(at("0.0.0.0"), configs.Web{}); strings.Contains(got, "0.0.0.0") {
		t.Errorf("pagesURL of every address = %s, which no browser elsewhere can take", got)
	}
}
