package exchange

import (
	"strings"
	"testing"
	"time"
)

// Examples of RFC 3339, section 5.8, with what that section says they equal.
func TestInstantRFC3339(t *testing.T) {
	for _, c := range []struct {
		text string
		want time.Time
	}{
		{"1985-04-12T23:20:50.52Z", time.Date(1985, 4, 12, 23, 20, 50, 520e6, time.UTC)},
		{"1996-12-19T16:39:57-08:00", time.Date(1996, 12, 20, 0, 39, 57, 0, time.UTC)},
		{"1937-01-01T12:00:27.87+00:20", time.Date(1937, 1, 1, 11, 40, 27, 870e6, time.UTC)},
		// Section 5.6: T and Z may be lower case, and a blank may stand for T.
		{"1985-04-12 23:20:50.52Z", time.Date(1985, 4, 12, 23, 20, 50, 520e6, time.UTC)},
		{"1985-04-12t23:20:50.52z", time.Date(1985, 4, 12, 23, 20, 50, 520e6, time.UTC)},
	} {
		got, err := instant([]byte(c.text))
		if err != nil || got != c.want.UnixMilli() {
			t.Errorf("instant(%s) = %d, %v, want %d", c.text, got, err, c.want.UnixMilli())
		}
	}
}

// 1000000000 s is 2001-09-09T01:46:40Z (the Unix billennium).
func TestInstantUnix(t *testing.T) {
	for text, want := range map[string]int64{
		"1000000000":       1000000000000,
		"1000000000000":    1000000000000,
		"1000000000123":    1000000000123,
		"1772380800.25":    1772380800250,
		"1772380800.001":   1772380800001,
		"1772380800.9996":  1772380800999,
		"946684800":        946684800000,
		"4102444800000":    4102444800000,
		"1772380800000.00": -1,
		"946684799":        -1,
		"1.7e9":            -1,
		"1772380800000000": -1,
		"99":               -1,
		"-5":               -1,
		"2026-13-01":       -1,
		"2026-03-01":       -1,
	} {
		got, err := instant([]byte(text))
		if want < 0 && err == nil || want >= 0 && (err != nil || got != want) {
			t.Errorf("instant(%s) = %d, %v, want %d", text, got, err, want)
		}
		if err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("instant(%s): more than one line: %v", text, err)
		}
	}
}

func TestWhole(t *testing.T) {
	for text, want := range map[string]int64{"": -1, "0": 0, "12": 12, "12.0": 12, "12.": 12, "12.5": -2, "-1": -2, ".0": -2, "1e3": -2, "99999999999999999999": -2} {
		got, err := whole([]byte(text))
		if want == -2 && err == nil || want != -2 && (err != nil || got != want) {
			t.Errorf("whole(%q) = %d, %v, want %d", text, got, err, want)
		}
	}
}

// The textbook pair of Levenshtein's distance: kitten to sitting takes 3.
func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"", "abc", 3}, {"abc", "", 3}, {"flaw", "lawn", 2}, {"same", "same", 0}} {
		if got := distance(c.a, c.b); got != c.want {
			t.Errorf("distance(%s, %s) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
