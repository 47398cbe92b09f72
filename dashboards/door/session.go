package door

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"sync"
	"time"

	"github.com/google/renameio/v2/maybe"
)

const (
	stay         = 30 * 24 * time.Hour // a log-in lasts this long from its last use
	refresh      = 24 * time.Hour      // the last use is noted at most this often
	mostSessions = 500                 // the longest unused goes first
)

type sum = [sha256.Size]byte

// A session is one browser that knew the password.
type session struct {
	seen time.Time
	ctx  context.Context // ends with the session
	end  context.CancelFunc
}

// sessions are who is in. Of each only the SHA-256 of its secret is kept, so that
// who reads the file cannot come in.
type sessions struct {
	mu   sync.Mutex
	file string // "": memory alone
	key  string // of the password: another one ends all sessions
	all  map[sum]*session
	log  *slog.Logger
}

// kept is the form of the file.
type kept struct {
	Password string     `json:"password"`
	Sessions []keptItem `json:"sessions"`
}

type keptItem struct {
	SHA256 string    `json:"sha256"`
	Seen   time.Time `json:"seen"`
}

func openSessions(file string, p Password, log *slog.Logger) *sessions {
	key := sha256.Sum256(p.hash)
	s := &sessions{file: file, key: hex.EncodeToString(key[:8]), all: map[sum]*session{}, log: log}
	if file == "" {
		return s
	}
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return s
	}
	var k kept
	if err == nil {
		err = json.Unmarshal(b, &k)
	}
	if err != nil {
		log.Warn("log-ins of before are forgotten: everybody logs in again", "file", file, "error", err)
		return s
	}
	if k.Password != s.key {
		return s
	}
	for _, i := range k.Sessions {
		var id sum
		if b, err := hex.DecodeString(i.SHA256); err == nil && copy(id[:], b) == len(id) {
			s.all[id] = newSession(i.Seen)
		}
	}
	return s
}

func newSession(seen time.Time) *session {
	ctx, end := context.WithCancel(context.Background())
	return &session{seen: seen, ctx: ctx, end: end}
}

// begin makes a session and returns its secret.
func (s *sessions) begin() string {
	raw := make([]byte, 32)
	_, _ = rand.Read(raw) // never fails
	secret := base64.RawURLEncoding.EncodeToString(raw)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all[sha256.Sum256([]byte(secret))] = newSession(time.Now())
	s.keep()
	return secret
}

// use returns the session of a secret, nil if there is none; again says that its time
// has been counted anew.
func (s *sessions) use(secret string) (in *session, again bool) {
	id := sha256.Sum256([]byte(secret))
	s.mu.Lock()
	defer s.mu.Unlock()
	in = s.all[id]
	if in == nil {
		return nil, false
	}
	switch age := time.Since(in.seen); {
	case age >= stay:
		s.drop(id)
		s.keep()
		return nil, false
	case age >= refresh:
		in.seen = time.Now()
		s.keep()
		return in, true
	}
	return in, false
}

func (s *sessions) end(secret string) {
	id := sha256.Sum256([]byte(secret))
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.all[id] != nil {
		s.drop(id)
		s.keep()
	}
}

func (s *sessions) drop(id sum) {
	s.all[id].end()
	delete(s.all, id)
}

// keep drops what is over or too many and writes the rest to the file. A log-in does
// not fail for a full disk: it then ends with the process.
func (s *sessions) keep() {
	now := time.Now()
	for id, x := range s.all {
		if now.Sub(x.seen) >= stay {
			s.drop(id)
		}
	}
	for len(s.all) > mostSessions {
		var oldest sum
		for id, x := range s.all {
			if o := s.all[oldest]; o == nil || x.seen.Before(o.seen) {
				oldest = id
			}
		}
		s.drop(oldest)
	}
	if s.file == "" {
		return
	}
	k := kept{Password: s.key}
	for id, x := range s.all {
		k.Sessions = append(k.Sessions, keptItem{hex.EncodeToString(id[:]), x.seen.UTC()})
	}
	b, err := json.Marshal(k)
	if err == nil {
		err = maybe.WriteFile(s.file, append(b, '\n'), 0o600)
	}
	if err != nil {
		s.log.Warn("log-ins will not outlast a restart", "file", s.file, "error", err)
	}
}
