package httpjson

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"

	"holdfast/collector"
	"holdfast/collector/address"
	"holdfast/collector/source/fields"
)

// fetch asks one address. Of an answer that is not wanted only the status counts. Its
// errors never show the address, which may hold a secret; what names it for the
// reader is the config's key.
func (s *Source) fetch(ctx context.Context, key, method, at string, wanted bool) (any, error) {
	limited, cancel := context.WithTimeout(ctx, s.o.Timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(limited, method, at, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be asked for", key)
	}
	for _, h := range s.o.Headers {
		req.Header.Set(h.Name, h.Value)
	}
	req.Header.Set("Accept", "application/json")
	req.Header.Set("User-Agent", "holdfast")
	if s.o.User != "" {
		req.SetBasicAuth(s.o.User, s.o.Password)
	}
	from := time.Now()
	res, err := s.client.Do(req)
	if err != nil {
		return nil, s.fault(ctx, limited, key, from, err)
	}
	defer res.Body.Close()
	switch {
	case res.StatusCode == http.StatusUnauthorized || res.StatusCode == http.StatusForbidden:
		return nil, content{fmt.Errorf("%s: answer is %d %s; check user, password and headers", key, res.StatusCode, http.StatusText(res.StatusCode))}
	case res.StatusCode < 200 || res.StatusCode > 299:
		return nil, content{fmt.Errorf("%s: answer is %d %s", key, res.StatusCode, http.StatusText(res.StatusCode))}
	case !wanted:
		// read to its end, so that the connection can be used again
		_, err := io.Copy(io.Discard, io.LimitReader(res.Body, fields.MaxAnswer))
		if err != nil {
			return nil, s.fault(ctx, limited, key, from, err)
		}
		return nil, nil
	}
	v, err := fields.Decode(res.Body)
	switch {
	case err == nil:
		return v, nil
	case limited.Err() != nil:
		return nil, s.fault(ctx, limited, key, from, err)
	}
	return nil, content{fmt.Errorf("%s: %w", key, err)}
}

// fault says what a request that brought no answer means.
func (s *Source) fault(ctx, limited context.Context, key string, from time.Time, err error) error {
	took := time.Since(from).Round(100 * time.Millisecond)
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded):
		return fmt.Errorf("%s: no whole answer in %v: %w: %w", key, took, ctx.Err(), collector.ErrHung)
	case ctx.Err() != nil:
		return ctx.Err()
	case limited.Err() != nil:
		return fmt.Errorf("%s: no whole answer in %v: %w", key, took, collector.ErrHung)
	}
	err = address.Bare(err)
	if op, ok := errors.AsType[*net.OpError](err); ok && op.Op == "dial" && !errors.Is(err, address.ErrRefused) {
		return fmt.Errorf("%s: %w: %w", key, err, collector.ErrGone)
	}
	return fmt.Errorf("%s: %w", key, err)
}
