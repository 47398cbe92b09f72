package webhook

import (
	"context"
	"crypto/hmac"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/alerting"
)

const secret = "open sesame, said the barn door"

var zone = time.FixedZone("Test/Zone", -4*3600)

var event = alerting.Event{Kind: alerting.Raised, At: 1_780_003_600_000, Alarm: alerting.Alarm{
	ID: "channel-lost/x/1", Condition: alerting.ChannelLost, Scope: "x", Severity: alerting.Major, Channels: []int{26}, Cause: "unknown",
	Since: 1_780_000_000_000, Raised: 1_780_003_600_000, Text: "9.1 Orchard, RF 26 has had no picture for an hour.", Origin: alerting.FromJournal,
}}

func notifier(t *testing.T, url string) *Notifier {
	t.Helper()
	n, err := New(Options{Name: "doorbell", URL: url, Secret: secret, Home: "Quill Lane", Zone: zone})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Computed with another implementation: Python's hmac module over OpenSSL.
func TestSign(t *testing.T) {
	if got, want := Sign(secret, "1780000000", []byte(`{"version":1}`)), "sha256=2a41d5cd21dc17bac734c6f95a5eb805921da98dc9e31dcbdc19a9300dcb4d0e"; got != want {
		t.Errorf("Sign = %s, want %s", got, want)
	}
}

func TestMessage(t *testing.T) {
	var head http.Header
	var body []byte
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head = r.Header
		body, _ = io.ReadAll(r.Body)
		w.WriteHeader(http.StatusNoContent)
	}))
	defer srv.Close()
	n := notifier(t, srv.URL+"/hook?key=hush")
	got, err := n.Try(t.Context(), event)
	if err != nil || !strings.Contains(got, "answered 204 No Content") || strings.Contains(got, "hush") {
		t.Errorf("Try = %q, %v; want the status and no key", got, err)
	}
	// As a receiver would check it.
	stamp := head.Get(TimestampHeader)
	if sec, err := strconv.ParseInt(stamp, 10, 64); err != nil || time.Since(time.Unix(sec, 0)).Abs() > time.Minute {
		t.Errorf("timestamp %q is not now", stamp)
	}
	if !hmac.Equal([]byte(head.Get(SignatureHeader)), []byte(Sign(secret, stamp, body))) {
		t.Error("the signature does not fit the body as it came")
	}
	var b Body
	if err := json.Unmarshal(body, &b); err != nil {
		t.Fatal(err)
	}
	if b.Version != 1 || b.Event != "raised" || b.DeduplicationKey != "channel-lost/x/1 raised 1780003600000" || b.Home != "Quill Lane" ||
		b.Alarm.For != "today" || b.Alarm.Since != "2026-05-28T20:26:40Z" || b.Alarm.Cleared != "" || !strings.Contains(b.Message, "since Thu 28 May 2026, 16:26") && !strings.Contains(b.Message, "Since Thu 28 May 2026, 16:26") {
		t.Errorf("body %+v", b)
	}
	first := b.DeduplicationKey
	if err := n.Notify(t.Context(), event); err != nil {
		t.Fatal(err)
	}
	if json.Unmarshal(body, &b); b.DeduplicationKey != first {
		t.Errorf("sent again, the key is %q, was %q", b.DeduplicationKey, first)
	}
}

func TestAnswersThatAreNoReceipt(t *testing.T) {
	reached := false
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { reached = true }))
	defer elsewhere.Close()
	for _, c := range []struct {
		name, want string
		do         http.HandlerFunc
	}{
		{"redirect", "302 Found, and redirects are not followed", func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, elsewhere.URL, http.StatusFound)
		}},
		{"kept method", "307 Temporary Redirect", func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
		}},
		{"server fault", "503 Service Unavailable", func(w http.ResponseWriter, _ *http.Request) {
			http.Error(w, "the secret is "+secret, http.StatusServiceUnavailable)
		}},
		{"not known", "401 Unauthorized; does it have the same secret", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnauthorized) }},
		{"endless header", "post to 127.0.0.1", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("X", strings.Repeat("x", 2*maxResponse))
		}},
		{"hang-up", "post to 127.0.0.1", func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			srv := httptest.NewServer(c.do)
			defer srv.Close()
			err := notifier(t, srv.URL+"/hook?key=hush").Notify(t.Context(), event)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("Notify = %v, want %q in it", err, c.want)
			}
			for _, hidden := range []string{"hush", "/hook", secret} {
				if strings.Contains(err.Error(), hidden) {
					t.Errorf("error %q shows %q", err, hidden)
				}
			}
		})
	}
	if reached {
		t.Error("a redirect was followed")
	}
}

// An endless answer is read up to a limit, and is a receipt all the same.
func TestLongAnswer(t *testing.T) {
	sent := make(chan int, 1)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		n := 0
		for n < 64<<20 {
			k, err := w.Write(make([]byte, 1<<16))
			if n += k; err != nil {
				break
			}
		}
		sent <- n
	}))
	defer srv.Close()
	if err := notifier(t, srv.URL).Notify(t.Context(), event); err != nil {
		t.Fatal(err)
	}
	if n := <-sent; n >= 64<<20 {
		t.Errorf("%d bytes of an endless answer were read", n)
	}
}

type stuck struct{}

func (stuck) RoundTrip(r *http.Request) (*http.Response, error) {
	<-r.Context().Done()
	return nil, r.Context().Err()
}

func TestSilenceEndsAfterTenSeconds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n, err := New(Options{Name: "doorbell", URL: "https://bell.example/hook?key=hush", Secret: secret, Zone: zone, Client: &http.Client{Transport: stuck{}}})
		if err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		err = n.Notify(context.Background(), event)
		if err == nil || err.Error() != "post to bell.example: no answer within 10s" {
			t.Errorf("Notify = %v", err)
		}
		if d := time.Since(start); d != timeout {
			t.Errorf("it took %v, want %v", d, timeout)
		}
	})
}

func TestNewRefuses(t *testing.T) {
	for _, c := range []struct{ url, secret string }{{"ftp://bell.example/hush", secret}, {"bell.example/hush", secret}, {"https://bell.example/\x00hush", secret}, {"https://bell.example/hush", "too short"}} {
		_, err := New(Options{URL: c.url, Secret: c.secret, Zone: zone})
		if err == nil || strings.Contains(err.Error(), "hush") || strings.Contains(err.Error(), c.secret) {
			t.Errorf("New(%q) = %v, want a refusal that hides both", c.url, err)
		}
	}
}
