// Package calendar knows when somebody else needs a tuner: it reads a calendar of
// recordings, an iCalendar file or address (RFC 5545), and says whether one is on.
//
// Every event that is not cancelled counts, whatever it says of being free or busy. A
// calendar that cannot be read changes nothing: the last good one holds on, also over a
// restart. Of one in which single events cannot be understood the others count. Until a
// calendar was tried for the first time, the tuner counts as needed.
package calendar

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/renameio/v2/maybe"

	"holdfast/collector/address"
)

// Options say where a calendar is. One of File and URL is needed.
type Options struct {
	Name          string // in messages
	File          string
	URL           string         // http or https
	Before, After time.Duration  // margins around each event, 0 or more
	Zone          *time.Location // of times that name none; UTC if nil
	// Keep is a file for the text of the last good calendar; "": none is kept.
	Keep string
	Now  func() time.Time // time.Now if nil
}

// A Calendar is one calendar of recordings. Update is called by one goroutine at a time,
// Reserved by any.
type Calendar struct {
	o      Options
	host   string
	client *http.Client
	stamp  os.FileInfo // of the file when it was last read

	mu     sync.Mutex
	tried  bool
	events []event
	read   time.Time // when the events were; zero: never
	window span      // for which spans are worked out
	spans  []span    // with margins, by start
}

type span struct{ from, to time.Time }

// Spans are worked out for so long around the instant that is asked for.
const aroundBefore, aroundAfter = 24 * time.Hour, 7 * 24 * time.Hour

// New returns a calendar. The last good one is taken from where it was kept.
func New(o Options) (*Calendar, error) {
	switch {
	case (o.File == "") == (o.URL == ""):
		return nil, errors.New("want one of file and url")
	case o.Before < 0 || o.After < 0:
		return nil, fmt.Errorf("margins %v before and %v after; want none below 0", o.Before, o.After)
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	c := &Calendar{o: o, client: address.NewClient(nil)}
	if o.URL != "" {
		u, err := url.Parse(o.URL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return nil, errors.New("url is no web address; want such as https://recorder.example/planned.ics")
		}
		c.host = u.Host
	}
	if o.Keep != "" {
		c.recall()
	}
	return c, nil
}

// recall takes up the calendar that was kept. One that is not there, or no good, is as
// if none had been kept: the next Update brings a new one.
func (c *Calendar) recall() {
	text, err := os.ReadFile(c.o.Keep)
	if err != nil {
		return
	}
	st, err := os.Stat(c.o.Keep)
	if err != nil {
		return
	}
	if es, _, err := parse(text, c.o.Zone); err == nil {
		c.events, c.read, c.tried = es, st.ModTime(), true
	}
}

// String names calendar and place for people, without what an address may hide.
func (c *Calendar) String() string {
	if c.o.File != "" {
		return c.o.Name + " from " + c.o.File
	}
	return c.o.Name + " from " + c.host
}

// Update reads the calendar anew. Its error is one line for people: why it could not be
// read, wholly or in part, and what holds meanwhile.
func (c *Calendar) Update(ctx context.Context) error {
	text, err := c.text(ctx)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var es []event
	var left []string
	if err == nil && text != nil {
		es, left, err = parse(text, c.o.Zone)
	}
	c.mu.Lock()
	c.tried = true
	if err == nil && text != nil {
		c.events, c.read, c.window, c.spans = es, c.o.Now(), span{}, nil
	}
	read := c.read
	if now := c.o.Now(); c.spans == nil || now.Add(aroundAfter/2).After(c.window.to) {
		c.workOut(now, now)
	}
	c.mu.Unlock()
	switch {
	case err != nil && read.IsZero():
		return fmt.Errorf("%s: %w; until it can be read no recording is known, and the tuner is used as if there were none", c, err)
	case err != nil:
		return fmt.Errorf("%s: %w; the one of %s holds on", c, err, read.In(c.o.Zone).Format("Mon 2 January, 15:04"))
	case text == nil: // the file is as it was
		return nil
	}
	if c.o.Keep != "" {
		if err := maybe.WriteFile(c.o.Keep, text, 0o600); err != nil {
			return fmt.Errorf("%s: keep it for the next start: %w", c, err)
		}
	}
	if len(left) > 0 {
		return fmt.Errorf("%s: %d of its %d events are not understood and are left out, the first: %s", c, len(left), len(left)+len(es), left[0])
	}
	return nil
}

// Reserved reports whether the tuner is needed at some instant from from to to.
func (c *Calendar) Reserved(from, to time.Time) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.tried {
		return true
	}
	if c.spans == nil || from.Before(c.window.from) || to.After(c.window.to) {
		c.workOut(from, to)
	}
	return slices.ContainsFunc(c.spans, func(s span) bool { return !s.from.After(to) && s.to.After(from) })
}

// workOut lists the events around a time, margins included.
func (c *Calendar) workOut(from, to time.Time) {
	c.window, c.spans = span{from.Add(-aroundBefore), to.Add(aroundAfter)}, []span{}
	asked := span{c.window.from.Add(-c.o.After), c.window.to.Add(c.o.Before)}
	for _, s := range occurrences(c.events, asked) {
		c.spans = append(c.spans, span{s.from.Add(-c.o.Before), s.to.Add(c.o.After)})
	}
	slices.SortFunc(c.spans, func(a, b span) int { return a.from.Compare(b.from) })
}

// oneLine cuts what a calendar holds for a message.
func oneLine(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > 60 {
		s = string(r[:60]) + "..."
	}
	return s
}
