package jq

import (
	"context"
	"fmt"
	"reflect"
	"strings"
	"testing"
)

func TestRun(t *testing.T) {
	q, err := Compile(`.rows[] | {time: .t, temp_c: ((.f - 32) / 1.8)}`)
	if err != nil {
		t.Fatal(err)
	}
	in, err := Decode([]byte("{\"rows\":[{\"t\":1,\"f\":50},{\"t\":2,\"f\":212}]}\n"))
	if err != nil || len(in) != 1 {
		t.Fatalf("Decode = %v, %v", in, err)
	}
	got, err := q.Run(t.Context(), in[0])
	if want := "[map[temp_c:10 time:1] map[temp_c:100 time:2]]"; err != nil || fmt.Sprint(got) != want {
		t.Errorf("Run = %v, %v, want %s", got, err, want)
	}
	q, err = Compile(`select(. > $least)`, "$least")
	if err != nil {
		t.Fatal(err)
	}
	if got, err := q.Run(t.Context(), 3, 5); err != nil || len(got) != 0 {
		t.Errorf("nothing is an answer: %v, %v", got, err)
	}
	if got, err := q.Run(t.Context(), 7, 5); err != nil || !reflect.DeepEqual(got, []any{7}) {
		t.Errorf("with a variable: %v, %v", got, err)
	}
}

func TestStringIsOneForm(t *testing.T) {
	a, errA := Compile("{locked:.lock,cn_db:.snr}")
	b, errB := Compile("{ locked: .lock, # comment\n cn_db: .snr }")
	if errA != nil || errB != nil || a.String() != b.String() || a.String() == "" {
		t.Errorf("%v, %v: %v, %v", a, b, errA, errB)
	}
}

// What an expression must not reach, and what it must not cost.
func TestBounds(t *testing.T) {
	for _, expr := range []string{`env.HUSH`, `$ENV.HUSH`, `def f: env; 1`} {
		if _, err := Compile(expr); err == nil || !strings.Contains(err.Error(), "env and $ENV are not to be had") {
			t.Errorf("%s: %v, want it refused", expr, err)
		}
	}
	for _, expr := range []string{`input`, `[inputs]`, `import "a" as a; .`, `include "a"; .`, `debug`, `stderr`, `input_filename`} {
		q, err := Compile(expr)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: error of several lines: %q", expr, err)
			}
			continue
		}
		if got, err := q.Run(t.Context(), "x"); err == nil && fmt.Sprint(got) != "[x]" && fmt.Sprint(got) != "[<nil>]" {
			t.Errorf("%s = %v: reaches further than its input", expr, got)
		}
	}
	for expr, want := range map[string]string{
		`range(1e9)`:                       "more than 100000 values",
		`last(range(1e12))`:                "no end within 2s",
		`.a.b`:                             "jq: expected an object",
		`def f: f; f`:                      "no end within 2s",
		`error("first\nsecond")`:           "jq: error: first second",
		`"no" | halt_error`:                "jq: ",
		`{a: 1} | tostring | fromjson + 1`: "jq: cannot add",
	} {
		q, err := Compile(expr)
		if err != nil {
			t.Fatalf("Compile(%s): %v", expr, err)
		}
		if _, err := q.Run(t.Context(), []any{1.0}); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", expr, err, want)
		}
	}
	if q, err := Compile(`1, halt, 2`); err != nil {
		t.Error(err)
	} else if got, err := q.Run(t.Context(), nil); err != nil || len(got) != 1 {
		t.Errorf("halt: %v, %v", got, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if q, err := Compile(`last(range(1e12))`); err != nil {
		t.Error(err)
	} else if _, err := q.Run(ctx, nil); err != context.Canceled {
		t.Errorf("cancelled: %v", err)
	}
}

func TestCompileFaults(t *testing.T) {
	for expr, want := range map[string]string{
		"":                              "is empty",
		".a |":                          "jq: ",
		"nosuch(.)":                     "jq: function not defined: nosuch/1",
		"$unknown":                      "jq: variable not defined: $unknown",
		strings.Repeat(".", mostText+1): "want at most 16384",
	} {
		if _, err := Compile(expr); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("Compile(%.20q) = %v, want one line with %q", expr, err, want)
		}
	}
}

func TestDecode(t *testing.T) {
	got, err := Decode([]byte("\xef\xbb\xbf{\"a\":1}\n\n[2]\n{\"a\":"))
	if len(got) != 2 || err == nil || !strings.Contains(err.Error(), "line 4 is not JSON") {
		t.Errorf("Decode = %v, %v", got, err)
	}
	if got, err := Decode([]byte("<html>")); len(got) != 0 || err == nil || !strings.Contains(err.Error(), "line 1 is not JSON") {
		t.Errorf("a page: %v, %v", got, err)
	}
	if got, err := Decode([]byte(strings.Repeat("[", 20000))); err == nil {
		t.Errorf("too deep: %v", got)
	}
}
