// Package webhook tells of alarms by posting JSON to an address, signed so that the
// receiver knows who speaks.
//
// Each message is a POST of a Body with these headers:
//
//	Content-Type: application/json
//	Holdfast-Timestamp: seconds since 1970, when this attempt was sent
//	Holdfast-Signature: sha256=HEX
//
// HEX is the HMAC-SHA256 (RFC 2104, FIPS 180-4), in lower case, over the timestamp's
// digits, a full stop and the body's bytes, keyed with the secret. A receiver computes
// it anew, compares in constant time, and refuses timestamps more than some minutes
// from its own clock. A status of 200 to 299 means that the message is safe; anything
// else, and silence for ten seconds, has it sent again later. A message may come twice:
// equal deduplication keys are one message. Redirects are not followed, so that the
// alarm and its signature reach the named host alone.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"holdfast/alerting"
)

// Headers of a message.
const (
	TimestampHeader = "Holdfast-Timestamp"
	SignatureHeader = "Holdfast-Signature"
)

// MinSecret is the length of the shortest secret, bytes: half of what HMAC-SHA256 can
// use (RFC 2104 section 3 discourages keys shorter than the hash, 32 bytes; a typed one
// is longer than its randomness).
const MinSecret = 16

// limits of an attempt; ours.
const (
	timeout     = 10 * time.Second
	maxResponse = 64 << 10 // bytes of header, and of body, that are read
)

// A Body is what is posted. Times are RFC 3339 in UTC; those that are not known are
// absent. More fields may be added.
type Body struct {
	Version          int    `json:"version"` // 1
	DeduplicationKey string `json:"deduplication_key"`
	Event            string `json:"event"` // raised, updated, acknowledged, cleared, or sample
	Time             string `json:"time"`  // of the event
	Home             string `json:"home"`
	TimeZone         string `json:"time_zone"` // that of the times in message
	Message          string `json:"message"`   // for people
	Alarm            Alarm  `json:"alarm"`
}

// An Alarm is an alarm as it stands after the event.
type Alarm struct {
	ID           string `json:"id"` // the same from raised to cleared
	Condition    string `json:"condition"`
	Severity     string `json:"severity"` // of ITU-T X.733, in lower case
	For          string `json:"for"`      // to people: today, this month, for information, cleared
	Cause        string `json:"cause"`
	Scope        string `json:"scope"`
	Channels     []int  `json:"channels"` // RF numbers; empty: none or all
	Since        string `json:"since,omitempty"`
	Raised       string `json:"raised"`
	Acknowledged string `json:"acknowledged,omitempty"`
	Cleared      string `json:"cleared,omitempty"`
	Origin       string `json:"origin"` // journal or replay
	Text         string `json:"text"`
}

// Options are what a Notifier needs.
type Options struct {
	Name   string // the way's name in the config
	URL    string // http or https; never shown, but for its host
	Secret string // at least MinSecret bytes; never shown
	Home   string
	Zone   *time.Location // of times for people
	Agent  string         // User-Agent; holdfast if empty
	Client *http.Client   // the way to the network, net/http's if nil; redirects and time-out are set here
}

// A Notifier posts events.
type Notifier struct {
	o      Options
	host   string
	client *http.Client
}

var _ alerting.Notifier = (*Notifier)(nil)

// New returns a notifier. Errors name the option and show neither address nor secret.
func New(o Options) (*Notifier, error) {
	u, err := url.Parse(o.URL)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http":
		return nil, errors.New("url is no web address; begin it with https:// or http://")
	case len(o.Secret) < MinSecret:
		return nil, fmt.Errorf("secret is shorter than %d bytes", MinSecret)
	case o.Zone == nil:
		return nil, errors.New("zone is missing")
	}
	if o.Agent == "" {
		o.Agent = "holdfast"
	}
	c := http.Client{}
	if o.Client != nil {
		c = *o.Client
	}
	if c.Transport == nil {
		t := http.DefaultTransport.(*http.Transport).Clone()
		t.MaxResponseHeaderBytes = maxResponse
		c.Transport = t
	}
	c.Timeout = timeout
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	return &Notifier{o: o, host: u.Host, client: &c}, nil
}

// String names the way.
func (n *Notifier) String() string { return n.o.Name }

// Notify keeps the contract of alerting.Notifier.
func (n *Notifier) Notify(ctx context.Context, e alerting.Event) error {
	_, err := n.Try(ctx, e)
	return err
}

// Try posts an event and says what came back.
func (n *Notifier) Try(ctx context.Context, e alerting.Event) (answer string, err error) {
	body, err := json.Marshal(n.body(e))
	if err != nil {
		return "", fmt.Errorf("write the message: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, n.o.URL, bytes.NewReader(body))
	if err != nil {
		return "", errors.New("the address cannot be posted to") // the error would show it
	}
	start := time.Now()
	stamp := strconv.FormatInt(start.Unix(), 10)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", n.o.Agent)
	req.Header.Set(TimestampHeader, stamp)
	req.Header.Set(SignatureHeader, Sign(n.o.Secret, stamp, body))
	res, err := n.client.Do(req)
	if err != nil {
		return "", fmt.Errorf("post to %s: %w", n.host, plain(err))
	}
	defer res.Body.Close()
	// Read so that the connection can be used again; what it says is not needed.
	_, _ = io.CopyN(io.Discard, res.Body, maxResponse)
	status := fmt.Sprintf("%d %s", res.StatusCode, http.StatusText(res.StatusCode))
	switch {
	case res.StatusCode/100 == 2:
		return fmt.Sprintf("%s answered %s after %s", n.host, status, time.Since(start).Round(time.Millisecond)), nil
	case res.StatusCode/100 == 3:
		return "", fmt.Errorf("post to %s: it answered %s, and redirects are not followed; write the address where it leads", n.host, status)
	case res.StatusCode == http.StatusUnauthorized, res.StatusCode == http.StatusForbidden:
		return "", fmt.Errorf("post to %s: it answered %s; does it have the same secret, and the right time?", n.host, status)
	}
	return "", fmt.Errorf("post to %s: it answered %s", n.host, status)
}

// plain takes the address out of an error of net/http.
func plain(err error) error {
	if u, ok := errors.AsType[*url.Error](err); ok {
		if u.Timeout() {
			return fmt.Errorf("no answer within %s", timeout)
		}
		return u.Err
	}
	return err
}

// Sign returns the value of SignatureHeader for a timestamp header and a body.
func Sign(secret, timestamp string, body []byte) string {
	h := hmac.New(sha256.New, []byte(secret))
	io.WriteString(h, timestamp+".") // a hash never fails
	h.Write(body)
	return "sha256=" + hex.EncodeToString(h.Sum(nil))
}

func (n *Notifier) body(e alerting.Event) Body {
	a := e.Alarm
	channels := a.Channels
	if channels == nil {
		channels = []int{}
	}
	return Body{
		Version: 1, DeduplicationKey: fmt.Sprintf("%s %s %d", a.ID, e.Kind, e.At), Event: string(e.Kind), Time: instant(e.At),
		Home: n.o.Home, TimeZone: n.o.Zone.String(), Message: alerting.Message(e, n.o.Zone),
		Alarm: Alarm{
			ID: a.ID, Condition: string(a.Condition), Severity: string(a.Severity), For: a.Severity.PeopleWord(), Cause: a.Cause, Scope: a.Scope,
			Channels: channels, Since: instant(a.Since), Raised: instant(a.Raised), Acknowledged: instant(a.Acknowledged), Cleared: instant(a.Cleared),
			Origin: a.Origin, Text: a.Text,
		},
	}
}

func instant(ms int64) string {
	if ms == 0 {
		return ""
	}
	return time.UnixMilli(ms).UTC().Format(time.RFC3339)
}
