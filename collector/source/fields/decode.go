package fields

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
)

// MaxAnswer is the size of the longest answer of a device that is read, in bytes.
const MaxAnswer = 1 << 20

// Decode reads an answer of one JSON value, at most MaxAnswer long, and keeps its
// numbers exact. The error of what is not JSON shows how it begins.
func Decode(r io.Reader) (any, error) {
	b, err := io.ReadAll(io.LimitReader(r, MaxAnswer+1))
	switch {
	case err != nil:
		return nil, err
	case len(b) > MaxAnswer:
		return nil, errors.New("answer is longer than 1 MiB")
	case len(bytes.TrimSpace(b)) == 0:
		return nil, errors.New("answer is empty, want JSON")
	}
	d := json.NewDecoder(bytes.NewReader(bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return nil, fmt.Errorf("answer is not JSON, it begins %q: %s", cut(string(bytes.TrimSpace(b))), line(err.Error()))
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("answer goes on after its JSON value, want one value alone")
	}
	return v, nil
}

// cut shortens a text of somebody else's for a message.
func cut(s string) string {
	if r := []rune(strings.ToValidUTF8(s, "\uFFFD")); len(r) > 40 {
		return string(r[:37]) + "..."
	}
	return s
}

// line keeps somebody else's message on one line.
func line(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return unicode.ReplacementChar
	}, s)
}
