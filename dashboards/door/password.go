package door

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"regexp"
	"strconv"

	"golang.org/x/crypto/argon2"
)

// Cost of a hash: 19 MiB, two passes, one lane; 20 ms on one core of an AMD EPYC server.
// Source: OWASP Password Storage Cheat Sheet, the second of its equal choices for
// Argon2id, from memory.
const (
	memoryKiB = 19 << 10
	passes    = 2
	lanes     = 1
	saltBytes = 16 // RFC 9106, section 4
	hashBytes = 32 // RFC 9106, section 4
)

// Bounds of a password in bytes: the shortest by NIST SP 800-63B (2017), 5.1.1.2, from
// memory; the longest is ours.
const (
	MinPassword = 8
	MaxPassword = 1024
)

// A Password is the hash of one.
type Password struct {
	memory     uint32 // KiB
	passes     uint32
	lanes      uint8
	salt, hash []byte
}

// Hash returns the hash of a password as one line, in the form that the reference
// implementation of RFC 9106 prints: $argon2id$v=19$m=...,t=...,p=...$salt$hash. The
// error says what is wrong with the password.
func Hash(password string) (string, error) {
	switch {
	case len(password) < MinPassword:
		return "", fmt.Errorf("the password is shorter than %d characters; choose a longer one", MinPassword)
	case len(password) > MaxPassword:
		return "", fmt.Errorf("the password is longer than %d bytes; choose a shorter one", MaxPassword)
	}
	salt := make([]byte, saltBytes)
	_, _ = rand.Read(salt) // never fails
	h := argon2.IDKey([]byte(password), salt, passes, memoryKiB, lanes, hashBytes)
	b64 := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes, b64(salt), b64(h)), nil
}

var hashForm = regexp.MustCompile(`^\$argon2id\$v=19\$m=([1-9][0-9]{0,6}),t=([1-9][0-9]?),p=([1-9])\$([A-Za-z0-9+/]{11,86})\$([A-Za-z0-9+/]{22,86})$`)

// ParseHash reads what Hash wrote, of any cost that a small board can bear: at most
// 256 MiB. The error never shows the line.
func ParseHash(line string) (Password, error) {
	bad := errors.New("it is no Argon2id hash; run holdfast password and take its line")
	m := hashForm.FindStringSubmatch(line)
	if m == nil {
		return Password{}, bad
	}
	num := func(s string) uint64 { n, _ := strconv.ParseUint(s, 10, 32); return n } // digits, by the form
	p := Password{memory: uint32(num(m[1])), passes: uint32(num(m[2])), lanes: uint8(num(m[3]))}
	if p.memory < 8*uint32(p.lanes) || p.memory > 256<<10 { // the lower one: RFC 9106, section 3.1
		return Password{}, bad
	}
	var errSalt, errHash error
	p.salt, errSalt = base64.RawStdEncoding.DecodeString(m[4])
	p.hash, errHash = base64.RawStdEncoding.DecodeString(m[5])
	if errSalt != nil || errHash != nil {
		return Password{}, bad
	}
	return p, nil
}

// matches hashes a password and compares in constant time.
func (p Password) matches(password string) bool {
	h := argon2.IDKey([]byte(password), p.salt, p.passes, p.memory, p.lanes, uint32(len(p.hash)))
	return subtle.ConstantTimeCompare(h, p.hash) == 1
}
