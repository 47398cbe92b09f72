package configs

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"maps"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"
)

var update = flag.Bool("update", false, "write schema.json anew")

type object = map[string]any

// A schemer makes the JSON Schema of the config: its form from the types and their
// tags, walked as the decoder walks them; its words from the comments of the reference,
// so that an editor shows what the reference says.
type schemer struct {
	t    *testing.T
	told map[string]string // by path without indices: what the reference says of a key
}

func makeSchema(t *testing.T) []byte {
	s := schemer{t, referenceWords(t)}
	o := s.structure(reflect.TypeFor[Config](), "")
	o["$schema"] = "http://json-schema.org/draft-07/schema#" // what editors know best
	o["title"] = "holdfast.yaml"
	o["description"] = "The config of a home. holdfast check looks at what no schema can."
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(o); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// structure is the schema of a group of keys.
func (s schemer) structure(ty reflect.Type, path string) object {
	props, required, kinds := object{}, []any{}, []string{}
	var allOf []any
	only, need := map[string][]string{}, map[string][]object{} // by kind
	for i := range ty.NumField() {
		f := ty.Field(i)
		name := f.Tag.Get("yaml")
		if name == "" || name == "-" {
			continue
		}
		p := strings.TrimPrefix(path+"."+name, ".")
		names := []string{name}
		props[name] = s.described(s.value(f, p), p)
		if f.Type == secretType {
			names = append(names, name+"_file")
			props[name+"_file"] = object{"type": "string", "minLength": 1,
				"description": "A file that holds nothing but what would stand at " + name + "; beside this one, or a full path."}
			allOf = append(allOf, object{"not": object{"required": names}})
		}
		if name == "kind" {
			kinds = strings.Fields(f.Tag.Get("one"))
		}
		for _, k := range strings.Fields(f.Tag.Get("only")) {
			only[k] = append(only[k], names...)
		}
		for _, k := range strings.Fields(f.Tag.Get("need")) {
			switch {
			case k == "*" && len(names) == 1:
				required = append(required, name)
			case k == "*":
				allOf = append(allOf, anyOf(names))
			default:
				need[k] = append(need[k], anyOf(names))
			}
		}
	}
	for _, k := range kinds {
		not := object{}
		for _, other := range slices.Sorted(maps.Keys(only)) {
			for _, name := range only[other] {
				if !slices.Contains(only[k], name) {
					not[name] = false
				}
			}
		}
		then := object{}
		if len(not) > 0 {
			then["properties"] = not
		}
		if n := need[k]; len(n) > 0 {
			then["allOf"] = n
		}
		if len(then) > 0 {
			allOf = append(allOf, object{"if": object{"properties": object{"kind": object{"const": k}}, "required": []any{"kind"}}, "then": then})
		}
	}
	if strings.HasPrefix(path, "weather[]") || strings.HasPrefix(path, "recordings[]") {
		allOf = append(allOf, object{"anyOf": []any{anyOf([]string{"url", "url_file"}), object{"required": []any{"file"}}}})
	}
	o := object{"type": "object", "properties": props, "additionalProperties": false}
	if len(required) > 0 {
		o["required"] = required
	}
	if len(allOf) > 0 {
		o["allOf"] = allOf
	}
	return o
}

// anyOf wants one of some keys.
func anyOf(names []string) object {
	if len(names) == 1 {
		return object{"required": []any{names[0]}}
	}
	var of []any
	for _, n := range names {
		of = append(of, object{"required": []any{n}})
	}
	return object{"anyOf": of}
}

// Text may be written as a number: YAML's idea of what is one is not people's.
func text() object { return object{"type": []any{"string", "number"}, "minLength": 1} }

func (s schemer) value(f reflect.StructField, path string) object {
	if one := strings.Fields(f.Tag.Get("one")); len(one) > 0 {
		return object{"enum": one}
	}
	o := s.ofType(f.Type, path)
	if in := f.Tag.Get("in"); in != "" {
		o["minimum"], o["maximum"] = limits(s.t, in)
	}
	return o
}

func (s schemer) ofType(ty reflect.Type, path string) object {
	switch ty {
	case durationType:
		return object{"type": "string", "pattern": `^([0-9.]+(ms|s|m|h))+$`}
	case secretType:
		return text()
	case rfsType:
		return object{"anyOf": []any{object{"const": "all"}, object{"type": "array", "items": object{"type": "integer"}, "minItems": 1, "uniqueItems": true}}}
	case reflect.TypeFor[Share]():
		return object{"anyOf": []any{object{"type": "number", "minimum": 0.5, "maximum": 0.99999}, object{"type": "string", "pattern": `^[0-9.]+ *%?$`}}}
	case reflect.TypeFor[Hours]():
		return object{"type": "string", "pattern": `^ *[0-9]{1,2}:[0-9]{2} *- *[0-9]{1,2}:[0-9]{2} *$`}
	case reflect.TypeFor[Expression]():
		return object{"type": "string", "minLength": 1}
	}
	switch ty.Kind() {
	case reflect.Struct:
		return s.structure(ty, path)
	case reflect.Slice:
		return object{"type": "array", "items": s.ofType(ty.Elem(), path+"[]")}
	case reflect.String:
		return text()
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Int:
		if path == "version" {
			return object{"const": 1}
		}
		return object{"type": "integer"}
	case reflect.Float64:
		return object{"type": "number"}
	}
	s.t.Fatalf("%s: no schema for %v", path, ty)
	return nil
}

func (s schemer) described(o object, path string) object {
	if s.told[path] == "" && len(s.told) > 0 {
		s.t.Errorf("reference.yaml says nothing of %s that an editor could show", path)
	}
	o["description"] = s.told[path]
	return o
}

func limits(t *testing.T, in string) (lo, hi float64) {
	a, b, _ := strings.Cut(in, " ")
	lo, err := strconv.ParseFloat(a, 64)
	hi, err2 := strconv.ParseFloat(b, 64)
	if err != nil || err2 != nil {
		t.Fatalf("tag in:%q is no range", in)
	}
	return lo, hi
}

// referenceTree parses the reference, with the keys of TLS that its example cannot have.
func referenceTree(t *testing.T) *yaml.Node {
	t.Helper()
	var doc yaml.Node
	text := strings.NewReplacer("    # cert:", "    cert:", "    # key:", "    key:").Replace(Reference())
	if err := yaml.Unmarshal([]byte(text), &doc); err != nil {
		t.Fatal(err)
	}
	return doc.Content[0]
}

// referenceWords returns what the comments of the reference say, by path.
func referenceWords(t *testing.T) map[string]string {
	out := map[string]string{}
	var walk func(n *yaml.Node, path string)
	walk = func(n *yaml.Node, path string) {
		switch n.Kind {
		case yaml.SequenceNode:
			for _, e := range n.Content {
				walk(e, path+"[]")
			}
		case yaml.MappingNode:
			for i := 0; i+1 < len(n.Content); i += 2 {
				k, v := n.Content[i], n.Content[i+1]
				p := strings.TrimPrefix(path+"."+k.Value, ".")
				var said []string
				for _, c := range []string{k.HeadComment, k.LineComment, v.HeadComment, v.LineComment, k.FootComment} {
					if c = plainComment(c); c != "" && !slices.Contains(said, c) {
						said = append(said, c)
					}
				}
				if out[p] == "" && len(said) > 0 {
					out[p] = capital(strings.Join(said, " "))
				}
				walk(v, p)
			}
		}
	}
	walk(referenceTree(t), "")
	return out
}

var hash = regexp.MustCompile(`(?m)^\s*#\s?`)

// plainComment is the last paragraph of a comment as one line.
func plainComment(c string) string {
	ps := strings.Split(hash.ReplaceAllString(c, ""), "\n\n")
	return strings.Join(strings.Fields(ps[len(ps)-1]), " ")
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func TestSchemaIsCurrent(t *testing.T) {
	want := makeSchema(t)
	if *update {
		if err := os.WriteFile("schema.json", want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if got := Schema(); got != string(want) {
		t.Error("schema.json is not what the types say; run go test ./configs -run TestSchemaIsCurrent -update")
	}
}

// compiled is the schema as a library that knows the standard reads it: JSON Schema
// draft 7, http://json-schema.org/draft-07/schema.
func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(strings.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// valid says what a schema has against a YAML text.
func valid(t *testing.T, s *jsonschema.Schema, text []byte) error {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	inst, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(inst)
}

// examples are all the configs that lie here.
func examples(t *testing.T) []string {
	t.Helper()
	names, err := filepath.Glob("*.yaml")
	if err != nil || len(names) < 4 {
		t.Fatalf("examples %q, %v", names, err)
	}
	return names
}

func TestExamplesFitTheSchema(t *testing.T) {
	s := compiled(t)
	for _, name := range examples(t) {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := valid(t, s, b); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What people write in their own way, and Parse takes, an editor must not underline.
func TestSchemaTakesWhatParseTakes(t *testing.T) {
	s := compiled(t)
	for _, text := range []string{
		head,
		head + "wanted: {availability: 0.995}\n", head + "wanted: {availability: 99.5%}\n", head + "wanted: {availability: '0.99'}\n",
		head + "channels: [{rf: 30, screen: 9.1, name: 7}]\n",
		head + ch30 + "tuners: [{name: a, kind: dvb, every: 1h30m, dwell: 1.5m, keep_out: ['9:00 - 10:30', '23:00-01:00']}]\n",
		head + ch30 + "tuners: [{name: 1, kind: dvb, channels: all}]\n",
		head + "channels: [{frequency_mhz: 605, system: atsc1}]\n",
		head + "web: {listen: 'localhost:0'}\n",
	} {
		if _, err := Parse("h.yaml", []byte(text)); err != nil {
			t.Errorf("Parse refuses what the test thinks right: %v", err)
		}
		if err := valid(t, s, []byte(text)); err != nil {
			t.Errorf("the schema refuses %s: %v", text, err)
		}
	}
}

func TestSchemaRefuses(t *testing.T) {
	s := compiled(t)
	for _, c := range []struct{ name, text string }{
		{"slip of a key", head + "tuner: []\n"},
		{"slip below", "version: 1\nhome: {name: Here, timezone: UTC, time_zone: UTC}\n"},
		{"other version", "version: 2\nhome: {name: Here, time_zone: UTC}\n"},
		{"a list for the whole", "- version\n"},
		{"region", "version: 1\nhome: {name: Here, time_zone: UTC, region: eurpe}\n"},
		{"text for a number", "version: 1\nhome: {name: Here, time_zone: UTC, ground_m: 300 m}\n"},
		{"RF in words", head + "channels: [{rf: thirty}]\n"},
		{"neither true nor false", head + "channels: [{rf: 30, wanted: maybe}]\n"},
		{"kind", head + ch30 + "tuners: [{name: a, kind: dvbt}]\n"},
		{"another kind's key", head + ch30 + "tuners: [{name: a, kind: dvb, speed: 2}]\n"},
		{"a secret of another kind by file", head + ch30 + "tuners: [{name: a, kind: dvb, tune_url_file: x}]\n"},
		{"span without a unit", head + ch30 + "tuners: [{name: a, kind: dvb, every: 5}]\n"},
		{"hours", head + ch30 + "tuners: [{name: a, kind: dvb, keep_out: [evening]}]\n"},
		{"channels by one number", head + ch30 + "tuners: [{name: a, kind: dvb, channels: 30}]\n"},
		{"program in one line", head + ch30 + "tuners: [{name: a, kind: command, command: rm -r x}]\n"},
		{"secret twice", head + json30("read_url: 'http://x.example/', read_url_file: x")},
		{"weather from nowhere", head + "weather: [{kind: usobs}]\n"},
		{"share of 99", head + "wanted: {availability: 99}\n"},
		{"webhook key for the log", head + "tell: [{kind: log, url: 'https://bell.example/'}]\n"},
		{"follow", head + "follow: {}\n"},
	} {
		faults(t, c.text) // Parse refuses it too
		if err := valid(t, s, []byte(c.text)); err == nil {
			t.Errorf("%s: the schema takes %s", c.name, c.text)
		}
	}
}

// at returns what lies at each place of a path, with the mapping that holds it.
func at(n *yaml.Node, path []string, do func(in *yaml.Node, i int)) {
	if n.Kind == yaml.SequenceNode {
		for _, e := range n.Content {
			at(e, path, do)
		}
		return
	}
	for i := 0; i+1 < len(n.Content) && n.Kind == yaml.MappingNode; i += 2 {
		if n.Content[i].Value != path[0] {
			continue
		}
		if len(path) == 1 {
			do(n, i)
		} else {
			at(n.Content[i+1], path[1:], do)
		}
	}
}

// fields calls do for each field of the config that has a tag, with its path.
func fields(tag string, do func(path []string, value string)) {
	var walk func(reflect.Type, []string)
	walk = func(ty reflect.Type, path []string) {
		for i := range ty.NumField() {
			f := ty.Field(i)
			name := f.Tag.Get("yaml")
			if name == "" || name == "-" {
				continue
			}
			p := append(slices.Clone(path), name)
			if v := f.Tag.Get(tag); v != "" {
				do(p, v)
			}
			e := f.Type
			if e.Kind() == reflect.Slice {
				e = e.Elem()
			}
			if e.Kind() == reflect.Struct && e.NumField() > 0 && e.Field(0).Tag.Get("yaml") != "" {
				walk(e, p)
			}
		}
	}
	walk(reflect.TypeFor[Config](), nil)
}

// encoded writes a tree without its comments, which the library loses its way in once
// what they stood at is gone.
func encoded(t *testing.T, n *yaml.Node) []byte {
	var bare func(n *yaml.Node)
	bare = func(n *yaml.Node) {
		n.HeadComment, n.LineComment, n.FootComment = "", "", ""
		for _, c := range n.Content {
			bare(c)
		}
	}
	bare(n)
	b, err := yaml.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The ranges of the tags are those of the checks: their ends are taken, what lies
// beyond is refused, by both.
func TestRanges(t *testing.T) {
	t.Setenv("WEATHER_KEY", "k")
	t.Setenv("TUNER_PASSWORD", "p")
	s := compiled(t)
	tried := 0
	fields("in", func(path []string, in string) {
		lo, hi := limits(t, in)
		for _, v := range []struct {
			value float64
			good  bool
		}{{lo, true}, {hi, true}, {lo - max(0.001, math.Abs(lo)/1000), false}, {hi + max(1, hi/1000), false}} {
			tree := referenceTree(t)
			var places []*yaml.Node
			at(tree, path, func(in *yaml.Node, i int) { places = append(places, in.Content[i+1]) })
			if len(places) == 0 {
				t.Errorf("%s is not in the reference", strings.Join(path, "."))
				return
			}
			n := places[0]
			*n = yaml.Node{Kind: yaml.ScalarNode, Value: strconv.FormatFloat(v.value, 'f', -1, 64)}
			name := path[len(path)-1]
			if strings.Contains(n.Value, ".") && slices.Contains([]string{"adapter", "frontend"}, name) {
				n.Value = strconv.Itoa(int(math.Floor(v.value)))
			}
			tried++
			outside := func(f Fault) bool {
				return strings.HasSuffix(f.Path, "."+name) && (strings.Contains(f.What, "is outside the range") || strings.Contains(f.What, "is no step"))
			}
			_, err := Parse("r.yaml", encoded(t, tree))
			fs, _ := errors.AsType[Faults](err)
			step0 := name == "step_db" && v.value == 0 // above zero, which JSON Schema's minimum cannot say
			if got := !slices.ContainsFunc(fs, outside); got != v.good && !step0 {
				t.Errorf("%s %s: Parse takes it: %v, want %v (%v)", strings.Join(path, "."), n.Value, got, v.good, err)
			}
			err = valid(t, s, encoded(t, tree))
			if got := err == nil || !strings.Contains(err.Error(), name); got != v.good {
				t.Errorf("%s %s: the schema takes it: %v, want %v (%v)", strings.Join(path, "."), n.Value, got, v.good, err)
			}
		}
	})
	if tried < 60 {
		t.Errorf("%d values tried; the walk is broken", tried)
	}
}

// Any key taken out of the reference: the schema misses it where Parse says that it is
// missing, and nowhere else.
func TestNeededKeys(t *testing.T) {
	t.Setenv("WEATHER_KEY", "k")
	t.Setenv("TUNER_PASSWORD", "p")
	s := compiled(t)
	base := func() *yaml.Node {
		var doc yaml.Node
		if err := yaml.Unmarshal([]byte(Reference()), &doc); err != nil {
			t.Fatal(err)
		}
		return doc.Content[0]
	}
	needed := 0
	var walk func(n *yaml.Node, place []int)
	walk = func(n *yaml.Node, place []int) {
		switch n.Kind {
		case yaml.SequenceNode:
			for i, e := range n.Content {
				walk(e, append(slices.Clone(place), i))
			}
		case yaml.MappingNode:
			for i := 0; i+1 < len(n.Content); i += 2 {
				tree := base()
				in := tree
				for _, j := range place {
					in = in.Content[j]
				}
				key := in.Content[i].Value
				in.Content = slices.Delete(in.Content, i, i+2)
				_, err := Parse("r.yaml", encoded(t, tree))
				fs, _ := errors.AsType[Faults](err)
				missing := slices.ContainsFunc(fs, func(f Fault) bool {
					return strings.HasPrefix(f.What, key+" is missing") || strings.Contains(f.What, " is missing; ") && strings.Contains(f.What, ", or "+key+": ") || f.Path == key && strings.HasPrefix(f.What, "is missing")
				})
				switch key {
				case "rf", "frequency_mhz", "threshold_db", "latitude", "longitude", "device", "device_id", "user": // only beside another
					missing = false
				}
				if missing && slices.ContainsFunc(fs, func(f Fault) bool { return strings.Contains(f.What, "is taken by line") }) {
					missing = false // a name that only a second one of its kind needs
				}
				if missing {
					needed++
				}
				if fault := valid(t, s, encoded(t, tree)); (fault != nil) != missing {
					t.Errorf("%s taken out: the schema says %v, Parse %v", key, fault, err)
				}
				walk(n.Content[i+1], append(slices.Clone(place), i+1))
			}
		}
	}
	walk(base(), nil)
	if needed < 15 {
		t.Errorf("%d keys are needed; the walk is broken", needed)
	}
}
