package daemon

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"math/big"
	"net"
	"net/netip"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/google/renameio/v2/maybe"
)

// Life of a certificate that we make: 825 days is the longest that some systems take
// at all (Apple, "Requirements for trusted certificates in iOS 13 and macOS 10.15",
// from memory). A month before its end another follows.
const (
	certificateLife = 825 * 24 * time.Hour
	renewBefore     = 30 * 24 * time.Hour
)

// An ownCertificate is signed by itself: made once, kept in a file with its key, and
// made anew before it expires or when it lacks a name. It signs nothing else: whoever
// trusts it trusts this machine alone.
type ownCertificate struct {
	file  string
	names []string // names and addresses that it must hold
	now   func() time.Time
	log   *slog.Logger

	mu      sync.Mutex
	current *tls.Certificate
}

// open reads the file, or makes it.
func (o *ownCertificate) open() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	b, err := os.ReadFile(o.file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("read the self-signed certificate: %w", err)
	}
	if err == nil {
		if c, err := tls.X509KeyPair(b, b); err != nil {
			o.log.Warn("the self-signed certificate cannot be read; another is made, and browsers ask again", "file", o.file, "error", err)
		} else if o.inTime(&c) && o.covers(&c) {
			o.current = &c
		}
	}
	if o.current == nil {
		if err := o.make(); err != nil {
			return err
		}
	}
	o.tell()
	return nil
}

// get serves a connection; it makes another certificate when it is time.
func (o *ownCertificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.inTime(o.current) {
		if err := o.make(); err != nil {
			o.log.Error("the self-signed certificate expires", "error", err)
		} else {
			o.tell()
		}
	}
	return o.current, nil
}

func (o *ownCertificate) inTime(c *tls.Certificate) bool {
	now := o.now()
	return !now.Before(c.Leaf.NotBefore) && now.Before(c.Leaf.NotAfter.Add(-renewBefore))
}

func (o *ownCertificate) covers(c *tls.Certificate) bool {
	for _, n := range o.names {
		if c.Leaf.VerifyHostname(n) != nil {
			return false
		}
	}
	return true
}

// make makes a certificate and its key and keeps them in one file, so that they are
// replaced together.
func (o *ownCertificate) make() error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	now := o.now()
	c := x509.Certificate{
		SerialNumber: serial.Add(serial, big.NewInt(1)), Subject: pkix.Name{CommonName: "holdfast"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
		DNSNames:              []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	names := o.names
	for _, a := range homeAddresses() {
		names = append(names[:len(names):len(names)], a.String())
	}
	for _, n := range names {
		if a, err := netip.ParseAddr(n); err == nil {
			c.IPAddresses = append(c.IPAddresses, a.WithZone("").AsSlice())
		} else {
			c.DNSNames = append(c.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, key.Public(), key)
	if err != nil {
		return fmt.Errorf("make a certificate for %s: %w", strings.Join(names, ", "), err)
	}
	k, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	text := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: k})...)
	if err := maybe.WriteFile(o.file, text, 0o600); err != nil {
		return fmt.Errorf("keep the self-signed certificate: %w", err)
	}
	pair, err := tls.X509KeyPair(text, text)
	if err != nil {
		return fmt.Errorf("make a certificate: %w", err)
	}
	o.current = &pair
	return nil
}

// tell logs by what the certificate is known, so that people can compare it with what
// their browser shows.
func (o *ownCertificate) tell() {
	sum := sha256.Sum256(o.current.Leaf.Raw)
	o.log.Info("the certificate is self-signed: compare its fingerprint when a browser asks", "sha256", fmt.Sprintf("% X", sum), "until", o.current.Leaf.NotAfter.Format(time.DateOnly))
}
