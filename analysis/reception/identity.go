package reception

import (
	"strconv"
	"strings"
)

// SameIdentity reports whether two words for what a signal calls itself mean the same.
//
// A word is the transport stream's id, or that and the original network's with a stroke
// between, such as 0x0421/0x233a; each a number, hexadecimal after 0x, else decimal. A
// word without the network says nothing of it, and is the same as one with any. Words of
// another kind are the same if they are equal.
func SameIdentity(a, b string) bool {
	if a == b {
		return true
	}
	streamA, networkA, wholeA := strings.Cut(a, "/")
	streamB, networkB, wholeB := strings.Cut(b, "/")
	return sameNumber(streamA, streamB) && (!wholeA || !wholeB || sameNumber(networkA, networkB))
}

func sameNumber(a, b string) bool {
	x, okA := idNumber(a)
	y, okB := idNumber(b)
	return okA && okB && x == y
}

// idNumber reads an id of 16 bits (ISO/IEC 13818-1, 2.4.4.5; EN 300 468, 5.2.3). A
// decimal number that begins with 0 may be a hexadecimal one that lacks its 0x: neither
// is believed.
func idNumber(s string) (uint64, bool) {
	s = strings.TrimSpace(s)
	base := 10
	if h, ok := strings.CutPrefix(strings.ToLower(s), "0x"); ok {
		s, base = h, 16
	} else if len(s) > 1 && s[0] == '0' {
		return 0, false
	}
	n, err := strconv.ParseUint(s, base, 16)
	return n, err == nil
}
