package calendar

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"

	"holdfast/collector/address"
)

const (
	// mostText is the size of the largest calendar that is read: tens of thousands of
	// events.
	mostText = 8 << 20
	timeout  = 20 * time.Second
)

// text reads file or address; nil if the file is as it was.
func (c *Calendar) text(ctx context.Context) ([]byte, error) {
	if c.o.File != "" {
		return c.file()
	}
	return c.get(ctx)
}

func (c *Calendar) file() ([]byte, error) {
	f, err := os.Open(c.o.File)
	if err != nil {
		return nil, fmt.Errorf("%w; check recordings file in the config", err)
	}
	defer f.Close()
	st, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case st.IsDir():
		return nil, errors.New("is a folder; check recordings file in the config")
	case c.stamp != nil && os.SameFile(c.stamp, st) && c.stamp.Size() == st.Size() && c.stamp.ModTime().Equal(st.ModTime()):
		return nil, nil
	}
	text, err := atMost(f)
	if err == nil {
		c.stamp = st
	}
	return text, err
}

func atMost(r io.Reader) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostText+1))
	if err == nil && len(text) > mostText {
		err = fmt.Errorf("is larger than %d MiB; want recordings alone, not years of them", mostText>>20)
	}
	return text, err
}

func (c *Calendar) get(ctx context.Context) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, c.o.URL, nil)
	if err != nil {
		return nil, errors.New("url is no web address")
	}
	req.Close = true // the next look is minutes away
	req.Header.Set("Accept", "text/calendar")
	req.Header.Set("User-Agent", "holdfast (watches TV reception at a home)")
	resp, err := c.client.Do(req)
	if err != nil {
		if ctx.Err() != nil {
			return nil, fmt.Errorf("no answer within %v; check recordings url in the config and the network", timeout)
		}
		return nil, fmt.Errorf("%w; check recordings url in the config and the network", address.Bare(err))
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("answer is %s; check recordings url in the config", resp.Status)
	}
	text, err := atMost(resp.Body)
	if err != nil {
		return nil, fmt.Errorf("%w; check recordings url in the config and the network", address.Bare(err))
	}
	return text, nil
}
