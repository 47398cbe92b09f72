package configs

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// goodHash is of "thirty-three larks", by the reference implementation of RFC 9106.
const goodHash = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHRzYWx0c2FsdA$dA8hJ4S77Me3LvWQCx4GY2L/uld9S9vztxt03wiuY04"

var longToken = strings.Repeat("0123456789abcdef", 2)

// writePair makes NAME.crt and NAME.key in a folder.
func writePair(t *testing.T, dir, name string, from, to time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: to}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	k, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, b := range map[string]*pem.Block{name + ".crt": {Type: "CERTIFICATE", Bytes: der}, name + ".key": {Type: "PRIVATE KEY", Bytes: k}} {
		if err := os.WriteFile(filepath.Join(dir, file), pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// What is allowed, with or without a word about it.
func TestWebWarnings(t *testing.T) {
	const unencrypted = "h.yaml:3:15: web.listen: connections are not encrypted: whoever is on the home's network can read the password, and others are turned away; add tls: { kind: self-signed }"
	for _, c := range []struct {
		name, listen, more, want string
	}{
		{"loopback", "127.0.0.1:80", "", ""},
		{"loopback with TLS", "127.0.0.1:80", "tls: {kind: self-signed}", ""},
		{"all, readable", "0.0.0.0:80", "", unencrypted},
		{"all of both families", ":80", "", unencrypted},
		{"private (RFC 1918)", "192.168.7.4:80", "", unencrypted},
		{"unique local (RFC 4193)", "[fd12::1]:80", "", unencrypted},
		{"shared behind a provider (RFC 6598)", "100.64.0.9:80", "", unencrypted},
		{"a name", "pi:80", "", unencrypted},
		{"public, encrypted", "203.0.113.9:80", "tls: {kind: self-signed}", ""},
		{"all, encrypted", "0.0.0.0:80", "tls: {kind: self-signed}", ""},
		{"names with a password", "127.0.0.1:80", "hosts: [tv.home.arpa, '192.168.7.4', 'fd12::1']", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg, err := Parse("h.yaml", []byte(head+"web: {listen: '"+c.listen+"', password_hash: '"+goodHash+"', "+c.more+"}\n"))
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(cfg.Warnings, "\n"); got != c.want {
				t.Errorf("warnings\n%s\nwant\n%s", got, c.want)
			}
			if strings.Contains(fmt.Sprintf("%+v", cfg), goodHash) {
				t.Error("the hash shows")
			}
		})
	}
	cfg, err := Parse("h.yaml", []byte(head+"web: {hosts: [TV.home.arpa.]}\n"))
	if want := "h.yaml:3:14: web.hosts: there is no password: whoever reaches this machine by these names, through a proxy, sees and changes everything; run holdfast password"; err != nil || len(cfg.Warnings) != 1 || cfg.Warnings[0] != want || cfg.Web.Hosts[0] != "tv.home.arpa" {
		t.Errorf("hosts %q, warnings %q, %v; want tv.home.arpa and %s", cfg.Web.Hosts, cfg.Warnings, err, want)
	}
}

func TestCertificates(t *testing.T) {
	dir := t.TempDir()
	now := time.Now()
	writePair(t, dir, "good", now.AddDate(0, 0, -1), now.AddDate(1, 0, 0))
	writePair(t, dir, "other", now.AddDate(0, 0, -1), now.AddDate(1, 0, 0))
	writePair(t, dir, "old", now.AddDate(0, -2, 0), now.AddDate(0, -1, 0))
	writePair(t, dir, "soon", now.AddDate(0, -2, 0), now.AddDate(0, 0, 9))
	writePair(t, dir, "early", now.AddDate(0, 1, 0), now.AddDate(1, 0, 0))
	if err := os.WriteFile(filepath.Join(dir, "text"), []byte("no certificate\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	day := func(d time.Time) string { return d.UTC().Format(time.DateOnly) }
	for _, c := range []struct{ name, cert, key, fault, warning string }{
		{"a pair", "good.crt", "good.key", "", ""},
		{"another's key", "good.crt", "other.key", "web.tls.key: " + dir + "/good.crt and " + dir + "/other.key do not work together: the key is not that of the certificate; name a certificate and its own key, both PEM", ""},
		{"turned round", "good.key", "good.crt", "do not work together", ""},
		{"text", "text", "good.key", "do not work together: failed to find any PEM data in certificate input; name a certificate", ""},
		{"expired", "old.crt", "old.key", "", "the certificate in " + dir + "/old.crt expired on " + day(now.AddDate(0, -1, 0)) + ", and browsers will refuse it; renew it"},
		{"expires soon", "soon.crt", "soon.key", "", "expires on " + day(now.AddDate(0, 0, 9)) + "; renew it"},
		{"not yet good", "early.crt", "early.key", "", "is good from " + day(now.AddDate(0, 1, 0)) + " only; look at the clock of this machine"},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg, err := Parse(filepath.Join(dir, "h.yaml"), []byte(head+"web: {tls: {kind: files, cert: "+c.cert+", key: "+c.key+"}}\n"))
			if c.fault != "" {
				if err == nil || !strings.Contains(err.Error(), c.fault) || strings.Contains(err.Error(), "\n") {
					t.Errorf("got %v, want one line with %s", err, c.fault)
				}
				return
			}
			if err != nil || cfg.Web.TLS.Cert != filepath.Join(dir, c.cert) {
				t.Fatalf("certificate %q, %v", cfg.Web.TLS.Cert, err)
			}
			got := strings.Join(cfg.Warnings, "\n")
			if c.warning == "" && got != "" || !strings.Contains(got, c.warning) {
				t.Errorf("warnings %q, want %q", got, c.warning)
			}
		})
	}
	if err := os.Chmod(filepath.Join(dir, "good.key"), 0o644); err != nil {
		t.Fatal(err)
	}
	cfg, err := Parse(filepath.Join(dir, "h.yaml"), []byte(head+"web: {tls: {kind: files, cert: good.crt, key: good.key}}\n"))
	if err != nil || len(cfg.Warnings) != 1 || !strings.Contains(cfg.Warnings[0], "good.key (mode 0644); run chmod 600 on it") {
		t.Errorf("warnings %q, %v", cfg.Warnings, err)
	}
}

func TestPasswordHashFile(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "hash"), []byte(goodHash+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := Parse(filepath.Join(dir, "h.yaml"), []byte(head+"web: {listen: '127.0.0.1:0', password_hash_file: hash, tokens: [{name: a, token_file: hash}]}\n"))
	if err != nil || cfg.Web.PasswordHash.Reveal() != goodHash {
		t.Errorf("hash %q, %v", cfg.Web.PasswordHash.Reveal(), err)
	}
	if err := os.WriteFile(filepath.Join(dir, "hash"), []byte("thirty-three larks\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Parse(filepath.Join(dir, "h.yaml"), []byte(head+"web: {password_hash_file: hash}\n"))
	if err == nil || !strings.Contains(err.Error(), "h.yaml:3:27: web.password_hash_file: it is no Argon2id hash") || strings.Contains(err.Error(), "larks") {
		t.Errorf("got %v, want the place and not the password", err)
	}
}
