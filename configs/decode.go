package configs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// MaxBytes is the size of the largest file that is read.
const MaxBytes = 1 << 20

// A Fault is one thing that is wrong with a file.
type Fault struct {
	File         string
	Line, Column int    // from 1
	Path         string // of the key, such as tuners[0].every; "" for the whole
	What         string // what is wrong; what to write instead
}

func (f Fault) Error() string {
	at := fmt.Sprintf("%s:%d:%d: ", f.File, f.Line, f.Column)
	if f.Path != "" {
		at += f.Path + ": "
	}
	return at + f.What
}

// Faults are all the faults of a file, by line; one line each.
type Faults []Fault

func (f Faults) Error() string {
	lines := make([]string, len(f))
	for i := range f {
		lines[i] = f[i].Error()
	}
	return strings.Join(lines, "\n")
}

// A decoder walks the YAML tree beside the Go types.
type decoder struct {
	file, dir string
	env       func(string) (string, bool)
	faults    Faults
	warnings  []string
	places    map[string]*yaml.Node // by path: the value as written
	unread    map[string]bool       // by path: so wrong that nothing below it was looked at
}

func (d *decoder) fault(n *yaml.Node, path, format string, a ...any) {
	d.faults = append(d.faults, Fault{d.file, max(1, n.Line), max(1, n.Column), path, oneLine(fmt.Sprintf(format, a...))})
}

func (d *decoder) warn(n *yaml.Node, path, format string, a ...any) {
	d.warnings = append(d.warnings, Fault{d.file, max(1, n.Line), max(1, n.Column), path, oneLine(fmt.Sprintf(format, a...))}.Error())
}

// oneLine keeps what a file smuggles in from breaking or colouring a message.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return unicode.ReplacementChar
	}, s)
}

func (d *decoder) note(n *yaml.Node, path string) { d.places[path] = n }

func (d *decoder) has(path string) bool { return d.places[path] != nil }

// at returns the node of a path, or of the nearest thing around it.
func (d *decoder) at(path string) *yaml.Node {
	for {
		if n := d.places[path]; n != nil {
			return n
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			return d.places[""]
		}
		path = path[:i]
	}
}

// wrong reports a fault of a value that was decoded.
func (d *decoder) wrong(path, format string, a ...any) { d.fault(d.at(path), path, format, a...) }

var lineOf = regexp.MustCompile(`^(?:yaml: (?:line (\d+): )?)?`)

// tree parses a document and reports what keeps it from being one.
func (d *decoder) tree(b []byte) *yaml.Node {
	whole := &yaml.Node{Line: 1, Column: 1}
	switch {
	case len(b) > MaxBytes:
		d.fault(whole, "", "the file is longer than 1 MiB; a config is a few hundred lines")
		return nil
	case !utf8.Valid(b):
		line := 1 + bytes.Count(b[:validPrefix(b)], []byte("\n"))
		d.fault(&yaml.Node{Line: line, Column: 1}, "", "the line is not UTF-8 text; save the file as UTF-8")
		return nil
	}
	dec := yaml.NewDecoder(bytes.NewReader(b))
	var doc, more yaml.Node
	err := dec.Decode(&doc)
	if errors.Is(err, io.EOF) || err == nil && len(doc.Content) == 0 {
		d.fault(whole, "", "the file is empty; begin with version: 1")
		return nil
	}
	if err == nil {
		if err = dec.Decode(&more); errors.Is(err, io.EOF) {
			return doc.Content[0]
		} else if err == nil {
			d.fault(&more, "", "a second document begins here; keep one")
			return nil
		}
	}
	d.notYAML(b, err)
	return nil
}

// notYAML reports a syntax error. The library's line may be off by some, or missing:
// the fault is looked for where the text stops being YAML.
func (d *decoder) notYAML(b []byte, err error) {
	m := lineOf.FindStringSubmatch(err.Error())
	what := strings.TrimPrefix(err.Error(), m[0])
	lines := strings.SplitAfter(string(b), "\n")
	line, _ := strconv.Atoi(m[1])
	if len(b)*len(lines) <= 8<<20 { // a few hundred lines: under half a second
		var n yaml.Node
		for line = len(lines); line > 1; line-- {
			if yaml.Unmarshal([]byte(strings.Join(lines[:line-1], "")), &n) == nil {
				break
			}
		}
	}
	line = max(1, min(line, len(lines)))
	what = "this is not YAML (" + what + "); check indentation, colons and quotes on this line and the one before"
	tab := func(l string) bool { return strings.HasPrefix(strings.TrimLeft(l, " "), "\t") }
	if i := slices.IndexFunc(lines, tab); i >= 0 {
		line, what = i+1, "the line is indented with a tab; indent with spaces"
	}
	text := lines[line-1]
	d.fault(&yaml.Node{Line: line, Column: 1 + len(text) - len(strings.TrimLeft(text, " "))}, "", "%s", what)
}

func validPrefix(b []byte) int {
	i := 0
	for i < len(b) {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n <= 1 {
			break
		}
		i += n
	}
	return i
}

// plain reports, as a fault, what YAML can do and a config does not need.
func (d *decoder) plain(n *yaml.Node, path string) (faulty bool) {
	switch {
	case n.Kind == yaml.AliasNode:
		d.fault(n, path, "aliases (*%s) are not followed; write the value out", cut(n.Value))
	case n.Anchor != "":
		d.fault(n, path, "anchors (&%s) are not used; remove it", cut(n.Anchor))
	case strings.HasPrefix(n.Tag, "!") && !strings.HasPrefix(n.Tag, "!!") || n.Style&yaml.TaggedStyle != 0:
		d.fault(n, path, "tags (%s) are not used; remove it", cut(n.Tag))
	default:
		return false
	}
	return true
}

var (
	durationType = reflect.TypeFor[time.Duration]()
	secretType   = reflect.TypeFor[Secret]()
	rfsType      = reflect.TypeFor[RFs]()
)

// value decodes a node into v.
func (d *decoder) value(n *yaml.Node, v reflect.Value, path string) {
	d.note(n, path)
	if d.plain(n, path) {
		d.unread[path] = true
		return
	}
	if n.Kind == yaml.ScalarNode && n.Tag == "!!null" {
		d.unread[path] = true
		d.fault(n, path, "has no value; write one, or remove the key")
		return
	}
	switch v.Type() {
	case secretType:
		d.secret(n, v.Addr().Interface().(*Secret), path)
		return
	case rfsType:
		d.rfs(n, v.Addr().Interface().(*RFs), path)
		return
	}
	switch v.Kind() {
	case reflect.Slice:
		if n.Kind != yaml.SequenceNode {
			d.unread[path] = true
			d.fault(n, path, "%s is no list; begin each entry with a dash", shown(n))
			return
		}
		for i, e := range n.Content {
			x := reflect.New(v.Type().Elem()).Elem()
			d.value(e, x, fmt.Sprintf("%s[%d]", path, i))
			v.Set(reflect.Append(v, x))
		}
		return
	case reflect.Struct:
		if p, ok := v.Addr().Interface().(interface{ parse(string) string }); ok {
			d.parsed(n, p, path)
			return
		}
		d.mapping(n, v, path)
		return
	}
	if p, ok := v.Addr().Interface().(interface{ parse(string) string }); ok {
		d.parsed(n, p, path)
		return
	}
	d.scalar(n, v, path)
}

func (d *decoder) parsed(n *yaml.Node, p interface{ parse(string) string }, path string) {
	if n.Kind != yaml.ScalarNode {
		d.fault(n, path, "%s is no single value; write it on one line", shown(n))
		return
	}
	if what := p.parse(n.Value); what != "" {
		d.fault(n, path, "%s", what)
	}
}

func (d *decoder) scalar(n *yaml.Node, v reflect.Value, path string) {
	if n.Kind != yaml.ScalarNode {
		d.fault(n, path, "%s is no single value; write it on one line", shown(n))
		return
	}
	switch {
	case v.Type() == durationType:
		x, what := duration(n.Value)
		if what != "" {
			d.fault(n, path, "%s", what)
		}
		v.SetInt(int64(x))
	case v.Kind() == reflect.String:
		var s string
		d.text(n, &s, path)
		v.SetString(s)
	case v.Kind() == reflect.Bool:
		if n.Tag != "!!bool" {
			d.fault(n, path, "%s is neither; write true or false", shown(n))
			return
		}
		v.SetBool(strings.EqualFold(n.Value, "true"))
	case v.Kind() == reflect.Int:
		x, err := strconv.ParseInt(n.Value, 10, 32)
		if err != nil {
			d.fault(n, path, "%s is no whole number; write one such as 3", shown(n))
			return
		}
		v.SetInt(x)
	case v.Kind() == reflect.Float64:
		x, ok := number64(n.Value)
		if !ok {
			d.fault(n, path, "%s is no number; write one such as 12.5, without a unit", shown(n))
			return
		}
		v.SetFloat(x)
	default:
		panic("configs: no rule for " + v.Type().String())
	}
}

// maxText is more than any name or path needs.
const maxText = 4096

func (d *decoder) text(n *yaml.Node, s *string, path string) {
	switch {
	case n.Kind != yaml.ScalarNode || n.Tag == "!!null":
		d.fault(n, path, "%s is no text; write it on one line", shown(n))
	case strings.TrimSpace(n.Value) == "":
		d.fault(n, path, "is empty; write something, or remove the key")
	case len(n.Value) > maxText:
		d.fault(n, path, "is longer than 4096 bytes; shorten it")
	case strings.ContainsFunc(n.Value, func(r rune) bool { return r < ' ' || r == 0x7f }):
		d.fault(n, path, "holds a line break or another control character; write it on one line")
	case envName.MatchString(inner(n.Value)):
		d.fault(n, path, "references such as ${env:NAME} work in secrets alone; write the value")
	default:
		*s = strings.TrimSpace(n.Value)
	}
}

func inner(text string) string {
	if m := refForm.FindStringSubmatch(text); m != nil {
		return m[1]
	}
	return ""
}

// A key is a field of a struct as the file names it.
type key struct {
	name  string
	field int
	file  bool // the _file form of a secret
}

func keysOf(t reflect.Type) []key {
	var ks []key
	for i := range t.NumField() {
		f := t.Field(i)
		name := f.Tag.Get("yaml")
		if name == "" || name == "-" {
			continue
		}
		ks = append(ks, key{name, i, false})
		if f.Type == secretType {
			ks = append(ks, key{name + "_file", i, true})
		}
	}
	return ks
}

func (d *decoder) mapping(n *yaml.Node, v reflect.Value, path string) {
	for i := range v.NumField() { // not given is not zero
		if f := v.Field(i); f.Kind() == reflect.Float64 && f.Type() == reflect.TypeFor[float64]() {
			f.SetFloat(math.NaN())
		}
	}
	ks := keysOf(v.Type())
	if n.Kind != yaml.MappingNode {
		d.unread[path] = true
		d.fault(n, path, "%s is no group of keys; write %s: and its value", shown(n), ks[0].name)
		return
	}
	first := map[string]*yaml.Node{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		kn, vn := n.Content[i], n.Content[i+1]
		if d.plain(kn, path) {
			continue
		}
		name := kn.Value
		if kn.Kind != yaml.ScalarNode {
			d.fault(kn, path, "a key is no single word; write one of %s", names(ks))
			continue
		}
		p := strings.TrimPrefix(path+"."+name, ".")
		if was := first[name]; was != nil {
			d.fault(kn, path, "key %s is there twice, first on line %d; keep one", cut(name), was.Line)
			continue
		}
		first[name] = kn
		j := slices.IndexFunc(ks, func(k key) bool { return k.name == name })
		if j < 0 {
			if why, ok := later[name]; ok && path == "" {
				d.fault(kn, path, "%s", why)
			} else {
				d.fault(kn, path, "unknown key %q; %s", cut(name), nearest(name, ks))
			}
			continue
		}
		if f := v.Type().Field(ks[j].field); ks[j].file {
			d.note(vn, p)
			if secret := strings.TrimSuffix(name, "_file"); first[secret] != nil {
				d.fault(kn, p, "%s is there too; keep one of the two", secret)
			}
			if !d.plain(vn, p) {
				d.secretFile(vn, v.Field(ks[j].field).Addr().Interface().(*Secret), p)
			}
		} else {
			if f.Type == secretType && first[name+"_file"] != nil {
				d.fault(kn, p, "%s_file is there too; keep one of the two", name)
			}
			d.value(vn, v.Field(ks[j].field), p)
			if one := f.Tag.Get("one"); one != "" && v.Field(ks[j].field).String() != "" {
				d.oneOf(vn, v.Field(ks[j].field).String(), strings.Fields(one), p)
			}
		}
	}
}

func (d *decoder) oneOf(n *yaml.Node, got string, of []string, path string) {
	if slices.Contains(of, got) {
		return
	}
	want := either(of)
	if g := closest(got, of); g != "" {
		want = g
	}
	d.fault(n, path, "%q is not known; write %s", cut(got), want)
}

// either writes "a, b or c".
func either(of []string) string {
	if len(of) == 1 {
		return of[0]
	}
	return strings.Join(of[:len(of)-1], ", ") + " or " + of[len(of)-1]
}

func names(ks []key) string {
	of := make([]string, len(ks))
	for i, k := range ks {
		of[i] = k.name
	}
	return either(of)
}

func nearest(name string, ks []key) string {
	of := make([]string, len(ks))
	for i, k := range ks {
		of[i] = k.name
	}
	if c := closest(name, of); c != "" {
		return "did you mean " + c + "?"
	}
	return "the keys here are " + names(ks)
}

// closest returns the word that a few slips of the finger turn into name; "" if none
// is near.
func closest(name string, of []string) string {
	best, at := "", 1+max(1, min(3, len(name)/3))
	for _, w := range of {
		if n := slips(strings.ToLower(name), w, at); n < at {
			best, at = w, n
		}
	}
	return best
}

// slips is the edit distance of two words (Levenshtein 1966), at most limit.
func slips(a, b string, limit int) int {
	if n := len(a) - len(b); n >= limit || n <= -limit {
		return limit
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diag
			if a[i] != b[j] {
				cost++
			}
			diag = row[j+1]
			row[j+1] = min(cost, row[j]+1, diag+1)
		}
	}
	return min(limit, row[len(b)])
}

// shown is a node as a message shows it.
func shown(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a group of keys"
	case yaml.SequenceNode:
		return "a list"
	}
	return strconv.Quote(cut(n.Value))
}

func cut(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:57]) + "..."
	}
	return s
}
