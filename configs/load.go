package configs

import (
	_ "embed" // the examples
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"gopkg.in/yaml.v3"
)

// Load reads and checks the config at a path. The error is Faults when the file was
// read and is wrong.
func Load(path string) (Config, error) {
	f, err := os.Open(path)
	if err != nil {
		return Config{}, fmt.Errorf("read config: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, MaxBytes+1))
	if err != nil {
		return Config{}, fmt.Errorf("read config: %w", err)
	}
	return Parse(path, b)
}

// Parse checks the config that b holds. name stands in messages, and paths in the
// config are relative to its folder. The error is Faults.
func Parse(name string, b []byte) (Config, error) {
	d := &decoder{file: name, dir: filepath.Dir(name), env: os.LookupEnv}
	return d.parse(b)
}

func (d *decoder) parse(b []byte) (Config, error) {
	d.places, d.unread = map[string]*yaml.Node{}, map[string]bool{}
	var c Config
	if n := d.tree(b); n != nil {
		d.value(n, reflect.ValueOf(&c).Elem(), "")
		d.finish(&c)
	}
	if len(d.faults) > 0 {
		slices.SortStableFunc(d.faults, func(a, b Fault) int {
			if a.Line != b.Line {
				return a.Line - b.Line
			}
			return a.Column - b.Column
		})
		return Config{}, d.faults
	}
	c.Warnings = d.warnings
	return c, nil
}

//go:embed reference.yaml
var referenceYAML string

//go:embed schema.json
var schemaJSON string

//go:embed demo.yaml
var demoYAML string

// Reference is an example with every key, explained one by one.
func Reference() string { return referenceYAML }

// Schema is the JSON Schema of the config, by which editors complete and check. It is
// made from the types of this package and the words of the reference.
func Schema() string { return schemaJSON }

//go:embed holdfast.service
var unit string

// Unit is a unit file of systemd that runs a program with a config, both by full path.
func Unit(program, config string) string {
	return strings.ReplaceAll(strings.ReplaceAll(unit, "/usr/local/bin/holdfast", program), "/etc/holdfast/holdfast.yaml", config)
}

// Demo is the config of the demo's invented home.
func Demo() (Config, error) { return Parse("demo.yaml", []byte(demoYAML)) }

type only struct {
	kinds []string
	names []string
}

// onlyKeys lists the keys of a struct that some kinds alone read.
func onlyKeys(of any) []only {
	var out []only
	t := reflect.TypeOf(of)
	for i := range t.NumField() {
		f := t.Field(i)
		kinds := strings.Fields(f.Tag.Get("only"))
		if len(kinds) == 0 {
			continue
		}
		o := only{kinds, []string{strings.TrimSpace(f.Tag.Get("yaml"))}}
		if f.Type == secretType {
			o.names = append(o.names, o.names[0]+"_file")
		}
		out = append(out, o)
	}
	return out
}
