package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
)

// The help of each import and the README name every column that its form has.
func TestColumnsAreDocumented(t *testing.T) {
	b, err := os.ReadFile(filepath.FromSlash("../../README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, columns, _ := strings.Cut(string(b), "\n## CSV columns\n")
	columns, _, _ = strings.Cut(columns, "\n## ")
	readme := code.FindAllString(columns, -1)
	for _, c := range []struct {
		kind  string
		write func(io.Writer) error
	}{
		{"readings", func(w io.Writer) error {
			return exchange.WriteReadings(w, exchange.CSV, func(func([]reception.Reading, error) bool) {})
		}},
		{"weather", func(w io.Writer) error {
			return exchange.WriteWeather(w, exchange.CSV, func(func(reception.Weather, error) bool) {})
		}},
		{"installations", func(w io.Writer) error { return exchange.WriteInstallations(w, exchange.CSV, nil) }},
	} {
		var csv, help bytes.Buffer
		if err := c.write(&csv); err != nil {
			t.Fatal(err)
		}
		header, _, _ := strings.Cut(csv.String(), "\n")
		names := strings.Split(strings.TrimSuffix(header, "\r"), ",")
		if len(names) < 4 {
			t.Fatalf("%s: header is %q", c.kind, header)
		}
		if status := run(t.Context(), []string{"import", c.kind, "--help"}, nil, &help, &help, nil); status != exitOK {
			t.Fatalf("import %s --help: status %d", c.kind, status)
		}
		words := regexp.MustCompile(`[a-z_0-9]+`).FindAllString(help.String(), -1)
		for _, n := range names {
			if !slices.Contains(words, n) {
				t.Errorf("the help of import %s does not name the column %s", c.kind, n)
			}
			if !slices.Contains(readme, "`"+n+"`") {
				t.Errorf("README.md does not name the column %s of %s", n, c.kind)
			}
		}
	}
}
