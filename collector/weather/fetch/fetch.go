// Package fetch reads the text of a weather source, from a file or from a web
// address, within limits of time and size. Its messages never show an address, which
// may hold a secret: they name the host alone.
package fetch

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"holdfast/collector/address"
)

// Options say where a text is. One of File and URL is needed.
type Options struct {
	Source string // names it in messages
	File   string
	URL    string // http or https
	// Lines: the file is one of lines that somebody may be appending to.
	Lines  bool
	Accept string // media types that are asked for; "" asks for none
}

// A Text is a place that text is read from. It is used by one goroutine at a time.
type Text struct {
	o      Options
	host   string
	client *http.Client
	stamp  os.FileInfo // of the file when it was last read
}

// Limits of one look (ours), in bytes: a year of hourly values is some MiB.
const (
	MostURL  = 16 << 20 // of an answer
	MostFile = 64 << 20 // of a file
)

const (
	timeout = 20 * time.Second
	// A last line without its end is taken once the file has rested for so long.
	unfinished = time.Minute
)

// New returns a Text; nothing is read yet.
func New(o Options) (*Text, error) {
	if (o.File == "") == (o.URL == "") {
		return nil, errors.New("want one of file and url")
	}
	t := &Text{o: o}
	if o.URL != "" {
		u, err := url.Parse(o.URL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return nil, errors.New("url is no web address; want such as https://weather.example/report.txt")
		}
		t.host = u.Host
	}
	t.client = address.NewClient(nil)
	return t, nil
}

// String names source and place for people, without what an address may hide.
func (t *Text) String() string {
	if t.o.File != "" {
		return t.o.Source + " from " + t.o.File
	}
	return t.o.Source + " from " + t.host
}

// Read returns the text and when it was written: for an address, now. It is nil if
// the file is as it was. Errors name the place and what to do.
func (t *Text) Read(ctx context.Context) (text []byte, written time.Time, err error) {
	if t.o.File != "" {
		text, written, err = t.file()
	} else {
		written = time.Now()
		text, err = t.get(ctx)
	}
	if err != nil {
		return nil, time.Time{}, fmt.Errorf("weather %s: %w", t, err)
	}
	return text, written, nil
}

// Again makes the next Read return the file even if it is as it was.
func (t *Text) Again() { t.stamp = nil }

func (t *Text) file() ([]byte, time.Time, error) {
	f, err := os.Open(t.o.File)
	if err != nil {
		return nil, time.Time{}, fmt.Errorf("%w; check weather file in the config", err)
	}
	defer f.Close()
	st, err := f.Stat()
	switch {
	case err != nil:
		return nil, time.Time{}, err
	case st.IsDir():
		return nil, time.Time{}, errors.New("is a folder; check weather file in the config")
	case t.stamp != nil && os.SameFile(t.stamp, st) && t.stamp.Size() == st.Size() && t.stamp.ModTime().Equal(st.ModTime()):
		return nil, time.Time{}, nil
	}
	text, err := atMost(f, MostFile)
	if err != nil {
		return nil, time.Time{}, err
	}
	if i := bytes.LastIndexByte(text, '\n'); t.o.Lines && i+1 < len(text) && time.Since(st.ModTime()) < unfinished {
		return text[:i+1], st.ModTime(), nil // somebody is still writing the last line
	}
	t.stamp = st
	if len(text) == 0 && !t.o.Lines {
		return nil, time.Time{}, errors.New("the file is empty; check weather file in the config")
	}
	return text, st.ModTime(), nil
}

func atMost(r io.Reader, most int64) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(r, most+1))
	if err == nil && int64(len(text)) > most {
		err = fmt.Errorf("more than %d MiB; want weather alone, of a shorter time", most>>20)
	}
	return text, err
}

// get gets the text behind the address.
func (t *Text) get(ctx context.Context) ([]byte, error) {
	outer := ctx
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, t.o.URL, nil)
	if err != nil {
		return nil, errors.New("url is no web address")
	}
	fail := func(why string) error {
		return fmt.Errorf("%s; check weather url in the config and the network", t.hush(why))
	}
	req.Close = true // the next look is minutes away
	// Some services refuse a program that does not say its name.
	req.Header.Set("User-Agent", "holdfast (watches TV reception at a home)")
	if t.o.Accept != "" {
		req.Header.Set("Accept", t.o.Accept)
	}
	resp, err := t.client.Do(req)
	if err != nil {
		if outer.Err() != nil {
			return nil, outer.Err()
		}
		if ctx.Err() != nil {
			return nil, fail(fmt.Sprintf("no answer within %v", timeout))
		}
		return nil, fail(address.Bare(err).Error())
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fail("answer is " + resp.Status + reason(resp.Body))
	}
	text, err := atMost(resp.Body, MostURL)
	if err != nil {
		return nil, fail(err.Error())
	}
	if len(text) == 0 {
		return nil, errors.New("the answer is empty; check weather url in the config")
	}
	return text, nil
}

// reason is what the body of a refusal says for itself: reason, or detail as of
// RFC 9457.
func reason(r io.Reader) string {
	b, err := io.ReadAll(io.LimitReader(r, 64<<10))
	var said struct{ Reason, Detail any }
	if err != nil || json.Unmarshal(b, &said) != nil {
		return ""
	}
	for _, v := range []any{said.Reason, said.Detail} {
		if s, ok := v.(string); ok && s != "" {
			if r := []rune(s); len(r) > 200 {
				s = string(r[:200]) + "..."
			}
			return " (" + s + ")"
		}
	}
	return ""
}

// hush makes a message one line and takes out of it what the address holds beside
// its host: a server may repeat what it was asked.
func (t *Text) hush(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	u, err := url.Parse(t.o.URL)
	if err != nil {
		return s
	}
	for _, vs := range u.Query() {
		for _, v := range vs {
			if len(v) >= 6 {
				s = strings.ReplaceAll(s, v, "...")
			}
		}
	}
	if p, ok := u.User.Password(); ok && p != "" {
		s = strings.ReplaceAll(s, p, "...")
	}
	return s
}
