package fields

import (
	"encoding/json"
	"strings"
	"testing"
	"testing/iotest"
)

func TestDecode(t *testing.T) {
	for _, c := range []struct{ name, input, want string }{
		{"object", `{"a": 1}`, ""},
		{"byte order mark", "\xef\xbb\xbf{}", ""},
		{"empty", " \n", "answer is empty"},
		{"page", "<html><body>Please log in to your device</body></html>", `answer is not JSON, it begins "<html><body>Please log in to your dev..."`},
		{"cut off", `{"a": 1`, "answer is not JSON"},
		{"two values", `{} {}`, "goes on after"},
		{"rubbish after", `{}x`, "goes on after"},
		{"bytes", "\xff\xfe\x00", "answer is not JSON"},
		{"deep", strings.Repeat("[", 20000), "answer is not JSON"},
		{"huge", `"` + strings.Repeat("x", MaxAnswer) + `"`, "longer than 1 MiB"},
	} {
		_, err := Decode(iotest.OneByteReader(strings.NewReader(c.input)))
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n")):
			t.Errorf("%s: %v, want one line with %q", c.name, err, c.want)
		}
	}
	if v, err := Decode(strings.NewReader("12345678901234567890")); err != nil || v != json.Number("12345678901234567890") {
		t.Errorf("a long number = %v, %v", v, err)
	}
}
