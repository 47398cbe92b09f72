// Package jq runs jq expressions of the user's over JSON that others wrote, bounded
// in time and size. An expression sees its input alone: no environment, no further
// inputs, no modules, no files.
package jq

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/itchyny/gojq"
)

// Limits (ours): what a status page or a year of hours needs, and far from what hurts
// a small machine. The memory that an expression takes while it runs is bounded by
// its time alone.
const (
	mostText    = 16 << 10
	mostResults = 100_000
	mostTime    = 2 * time.Second
)

// A Query is a compiled expression. It may be used by several goroutines.
type Query struct {
	code *gojq.Code
	text string
}

// Compile makes a Query. names are variables that [Query.Run] binds, such as "$channel".
// Errors are of one line.
func Compile(expression string, names ...string) (*Query, error) {
	if strings.TrimSpace(expression) == "" {
		return nil, errors.New("the jq expression is empty; . alone takes the input as it is")
	}
	if len(expression) > mostText {
		return nil, fmt.Errorf("the jq expression has %d bytes; want at most %d", len(expression), mostText)
	}
	q, err := gojq.Parse(expression)
	if err != nil {
		return nil, fmt.Errorf("jq: %s", oneLine(err))
	}
	env := false
	code, err := gojq.Compile(q, gojq.WithVariables(names), gojq.WithEnvironLoader(func() []string { env = true; return nil }))
	switch {
	case err != nil:
		return nil, fmt.Errorf("jq: %s", oneLine(err))
	case env: // it would be empty: say so before somebody wonders
		return nil, errors.New("jq: env and $ENV are not to be had; an expression sees its input alone")
	}
	return &Query{code, q.String()}, nil
}

// String is the expression in one form, however it was spaced and commented.
func (q *Query) String() string { return q.text }

// Run returns all that the expression yields for a value as [Decode] makes it; nothing
// is a proper answer. values bind the names, in their order. Numbers come as int,
// float64 or *big.Int, those of the input as they came. Run takes no longer than two seconds; an expression that takes
// longer, or yields more than 100,000 values, is an error.
func (q *Query) Run(ctx context.Context, input any, values ...any) (out []any, err error) {
	ctx, cancel := context.WithTimeout(ctx, mostTime)
	defer cancel()
	for it := q.code.RunWithContext(ctx, input, values...); ; {
		v, ok := it.Next()
		if !ok {
			return out, nil
		}
		if err, ok := v.(error); ok {
			if halt, ok := errors.AsType[*gojq.HaltError](err); ok && halt.Value() == nil {
				return out, nil // the expression says that it is done
			}
			if errors.Is(err, context.DeadlineExceeded) {
				return nil, fmt.Errorf("jq: no end within %v; make the expression simpler", mostTime)
			}
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			return nil, fmt.Errorf("jq: %s", oneLine(err))
		}
		if len(out) == mostResults {
			return nil, fmt.Errorf("jq: more than %d values; take fewer", mostResults)
		}
		out = append(out, v)
	}
}

// Decode reads JSON values one after the other, such as one a line, for [Query.Run].
// The values before a fault are returned beside it, whose line is where the faulty
// value begins.
func Decode(text []byte) (values []any, err error) {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	d := json.NewDecoder(bytes.NewReader(text))
	for {
		var v any
		switch err := d.Decode(&v); {
		case errors.Is(err, io.EOF):
			return values, nil
		case err != nil:
			rest := text[min(int64(len(text)), d.InputOffset()):]
			begin := len(text) - len(bytes.TrimLeft(rest, " \t\r\n"))
			return values, fmt.Errorf("line %d is not JSON: %s", 1+bytes.Count(text[:begin], []byte("\n")), oneLine(err))
		}
		values = append(values, v)
	}
}

func oneLine(err error) string {
	s := strings.Join(strings.Fields(err.Error()), " ")
	if r := []rune(s); len(r) > 200 {
		s = string(r[:200]) + "..."
	}
	return s
}
