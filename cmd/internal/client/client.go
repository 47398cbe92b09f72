// Package client speaks to a home's handlers: over the socket of the process that
// holds the store, or straight to handlers in this process.
package client

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"

	"holdfast/analysis/answer"
	"holdfast/dashboards"
)

// A Client asks one home. Close it when done.
type Client struct {
	http  *http.Client
	close func() error
}

// Close ends the client and, where it has the handlers to itself, what they hold.
func (c *Client) Close() error {
	c.http.CloseIdleConnections()
	return c.close()
}

// Socket returns a client of the process that serves the socket at path.
func Socket(path string) *Client {
	return over(func(ctx context.Context) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", path)
	}, func() error { return nil })
}

// Here returns a client of handlers in this process; closing it calls close.
func Here(h http.Handler, end func() error) *Client {
	l := &pipes{conns: make(chan net.Conn), done: make(chan struct{})}
	srv := &http.Server{Handler: h}
	served := make(chan struct{})
	go func() {
		_ = srv.Serve(l)
		close(served)
	}()
	return over(l.dial, func() error {
		_ = srv.Close()
		<-served
		return end()
	})
}

func over(dial func(context.Context) (net.Conn, error), close func() error) *Client {
	return &Client{
		http:  &http.Client{Transport: &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return dial(ctx) }}},
		close: close,
	}
}

// pipes is a listener whose connections are made in this process.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func (p *pipes) dial(ctx context.Context) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case p.conns <- there:
		return here, nil
	case <-p.done:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	p.once.Do(func() { close(p.done) })
	return nil
}

func (p *pipes) Addr() net.Addr { return pipeAddr{} }

type pipeAddr struct{}

func (pipeAddr) Network() string { return "pipe" }
func (pipeAddr) String() string  { return "localhost" }

// do sends a request and returns the body of a good answer, for the caller to close.
// A bad one becomes its own line as the error.
func (c *Client) do(ctx context.Context, method, path string, body io.Reader, contentType string) (io.ReadCloser, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://localhost"+path, body)
	if err != nil {
		return nil, err
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	res, err := c.http.Do(req)
	if err != nil {
		if ue, ok := errors.AsType[*url.Error](err); ok {
			err = ue.Err
		}
		return nil, fmt.Errorf("ask the process that holds the store: %w", err)
	}
	if res.StatusCode/100 == 2 {
		return res.Body, nil
	}
	defer res.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(res.Body, 4096))
	return nil, errors.New(message(text, res.Status))
}

// message finds the line that a handler wrote, as JSON or plain.
func message(body []byte, status string) string {
	var e struct {
		Error string `json:"error"`
	}
	if json.Unmarshal(body, &e) == nil && e.Error != "" {
		return e.Error
	}
	if s := strings.TrimSpace(string(body)); s != "" {
		return s
	}
	return status
}

// Get copies what a path answers to w.
func (c *Client) Get(ctx context.Context, path string, w io.Writer) error {
	body, err := c.do(ctx, http.MethodGet, path, nil, "")
	if err != nil {
		return err
	}
	defer body.Close()
	if _, err := io.Copy(w, body); err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	return nil
}

// Import sends a CSV of a kind and returns what became of it. scales is the text of a
// scales.csv or nil. progress is called now and then.
func (c *Client) Import(ctx context.Context, kind, name string, csv io.Reader, scales []byte, progress func(dashboards.ImportProgress)) (dashboards.ImportReport, error) {
	in, out := io.Pipe()
	form := multipart.NewWriter(out)
	go func() { out.CloseWithError(writeForm(form, name, csv, scales)) }()
	defer in.Close() // ends the writer if the answer came early
	body, err := c.do(ctx, http.MethodPost, "/api/import/"+kind+"?name="+url.QueryEscape(name), in, form.FormDataContentType())
	if err != nil {
		return dashboards.ImportReport{}, err
	}
	defer body.Close()
	var report *dashboards.ImportReport
	lines := bufio.NewScanner(body)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var l struct {
			Progress *dashboards.ImportProgress
			Report   *dashboards.ImportReport
			Error    string
		}
		if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
			return dashboards.ImportReport{}, fmt.Errorf("read the import's report: %w", err)
		}
		switch {
		case l.Error != "":
			return dashboards.ImportReport{}, errors.New(l.Error)
		case l.Report != nil:
			report = l.Report
		case l.Progress != nil:
			progress(*l.Progress)
		}
	}
	if err := lines.Err(); err != nil {
		return dashboards.ImportReport{}, fmt.Errorf("read the import's report: %w", err)
	}
	if report == nil {
		return dashboards.ImportReport{}, errors.New("the import ended without a report; what was read so far is stored: import again, nothing enters twice")
	}
	return *report, nil
}

func writeForm(form *multipart.Writer, name string, csv io.Reader, scales []byte) error {
	if scales != nil {
		p, err := form.CreateFormFile("scales", "scales.csv")
		if err != nil {
			return err
		}
		if _, err := p.Write(scales); err != nil {
			return err
		}
	}
	p, err := form.CreateFormFile("file", name)
	if err != nil {
		return err
	}
	if _, err := io.Copy(p, csv); err != nil {
		return fmt.Errorf("read %s: %w", name, err)
	}
	return form.Close()
}

// Copied says what a backup has copied: files, their bytes, and how many of them are
// links that took no space. Faults says of files that they are missing or damaged in the
// home.
type Copied struct {
	Files  int      `json:"files"`
	Bytes  int64    `json:"bytes"`
	Linked int      `json:"linked"`
	Faults []string `json:"faults"`
}

// Backup has the process that holds the store copy it into a folder, given by its full
// path. progress is called now and then.
func (c *Client) Backup(ctx context.Context, dir string, progress func(done, total int64)) (Copied, error) {
	body, err := c.do(ctx, http.MethodPost, "/api/backup", strings.NewReader(url.Values{"dir": {dir}}.Encode()), "application/x-www-form-urlencoded")
	if err != nil {
		return Copied{}, err
	}
	defer body.Close()
	lines := json.NewDecoder(body)
	for {
		var l struct {
			Done, Total int64
			Copied      *Copied
			Error       string
		}
		if err := lines.Decode(&l); err != nil {
			return Copied{}, fmt.Errorf("back up to %s: the answer ended early, so the copy is not whole: %w", dir, err)
		}
		switch {
		case l.Error != "":
			return Copied{}, errors.New(l.Error)
		case l.Copied != nil:
			return *l.Copied, nil
		}
		progress(l.Done, l.Total)
	}
}

// Alarms lists the alarms of the home.
func (c *Client) Alarms(ctx context.Context) (Alarms, error) {
	var out Alarms
	var b bytes.Buffer
	if err := c.Get(ctx, "/api/alarms", &b); err != nil {
		return out, err
	}
	if err := json.Unmarshal(b.Bytes(), &out); err != nil {
		return out, fmt.Errorf("read the alarms: %w", err)
	}
	return out, nil
}

// Health asks what the process knows of itself.
func (c *Client) Health(ctx context.Context) (dashboards.HealthReport, error) {
	var out dashboards.HealthReport
	var b bytes.Buffer
	if err := c.Get(ctx, "/api/health", &b); err != nil {
		return out, err
	}
	if err := json.Unmarshal(b.Bytes(), &out); err != nil {
		return out, fmt.Errorf("read the health: %w", err)
	}
	return out, nil
}

// Alarms are alarms as /api/alarms lists them, newest first.
type Alarms struct {
	TimeZone string `json:"time_zone"` // the home's, an IANA name
	Alarms   []struct {
		ID    string `json:"id"`
		Waits bool   `json:"waits"` // for somebody to acknowledge it
		answer.Alarm
	} `json:"alarms"`
}

// Acknowledge marks an alarm as seen.
func (c *Client) Acknowledge(ctx context.Context, id string) error {
	body, err := c.do(ctx, http.MethodPost, "/api/alarms/acknowledge", strings.NewReader(url.Values{"id": {id}}.Encode()), "application/x-www-form-urlencoded")
	if err != nil {
		return err
	}
	return body.Close()
}

// TryWay sends a sample by a way of telling and returns what came back.
func (c *Client) TryWay(ctx context.Context, name string) (string, error) {
	body, err := c.do(ctx, http.MethodPost, "/api/alarms/test", strings.NewReader(url.Values{"name": {name}}.Encode()), "application/x-www-form-urlencoded")
	if err != nil {
		return "", err
	}
	defer body.Close()
	var out struct {
		Answer string `json:"answer"`
	}
	if err := json.NewDecoder(io.LimitReader(body, 64<<10)).Decode(&out); err != nil {
		return "", fmt.Errorf("read what came back: %w", err)
	}
	return out.Answer, nil
}
