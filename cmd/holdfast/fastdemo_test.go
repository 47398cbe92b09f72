package main

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
)

// What the demo prints, while it prints it.
type screen struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *screen) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *screen) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// The life of an alarm as a user follows it: the command that the demo shows is given.
func TestFastDemo(t *testing.T) {
	t.Parallel()
	out := &screen{}
	e := &env{in: strings.NewReader(""), out: out, errOut: io.Discard}
	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	done := make(chan error, 1)
	go func() {
		done <- e.fastDemo(ctx, fastDemo{seed: 1, speed: 400, past: 6 * time.Hour, away: 45 * time.Minute})
	}()
	command := regexp.MustCompile(`holdfast alarm acknowledge --data (\S+) '([^']+)'`)
	for acknowledged := false; ; {
		select {
		case err := <-done:
			if err != nil || ctx.Err() != nil {
				t.Fatalf("the demo ended with %v, %v; it printed\n%s", err, ctx.Err(), out)
			}
			if want := "That was its whole life: raised, delivered, acknowledged, cleared."; !strings.Contains(out.String(), want) {
				t.Errorf("it lacks %q:\n%s", want, out)
			}
			if !strings.Contains(out.String(), `Tuner "hall-2" has given no reading`) || strings.Contains(out.String(), "lost its picture") {
				t.Errorf("it tells of something else:\n%s", out)
			}
			return
		case <-time.After(20 * time.Millisecond):
			m := command.FindStringSubmatch(out.String())
			if m == nil || acknowledged {
				continue
			}
			acknowledged = true
			var said bytes.Buffer
			if status := run(ctx, []string{"alarm", "acknowledge", "--data", m[1], m[2]}, nil, &said, &said, nil); status != exitOK {
				t.Errorf("acknowledge ended with %d: %s", status, &said)
			}
		}
	}
}

// The demo's receiver takes nothing without a good signature.
func TestBellRefusesStrangers(t *testing.T) {
	t.Parallel()
	b, err := listenBell("the demo's own secret")
	if err != nil {
		t.Fatal(err)
	}
	defer b.close()
	res, err := http.Post(b.url, "application/json", strings.NewReader(`{"version":1}`))
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusUnauthorized || len(b.rang) != 0 {
		t.Errorf("a message without signature: %s, %d taken; want 401 and none", res.Status, len(b.rang))
	}
}
