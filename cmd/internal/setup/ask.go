// Package setup is the dialogue that makes a config: few questions, each with its
// reason, answered on a terminal or by a list of answers; wrong ones are asked again.
package setup

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"
	"gopkg.in/yaml.v3"
)

// Answers are given beforehand, by key.
type Answers map[string]string

// keys are those of the questions, with what each wants.
var keys = []struct{ key, wants string }{
	{"overwrite", "yes or no: a config that is there is kept under another name and written anew"},
	{"name", "what the home is called"},
	{"region", "us, europe, japan, brazil or other: whose channel numbers are meant"},
	{"time_zone", "such as America/New_York"},
	{"position", "degrees north and east such as 43.0, -75.3; or none"},
	{"availability", "such as 99 %"},
	{"tuners", "all, their numbers, device, program, simulated or none"},
	{"lent", "yes or no: the household watches or records with the tuners"},
	{"read_url", "address of a device's status page"},
	{"tune_url", "address that tunes it; or none"},
	{"mapping", "a jq expression from its names to ours"},
	{"program", "a program and its arguments"},
	{"scan", "yes or no: look for channels with the tuner"},
	{"channels", "RF numbers with names, such as 9 Lantern, 16 Pewter, 24"},
	{"weather", "airport, us, model, other or none"},
	{"station", "of the weather, such as KABC"},
	{"distance", "of it, in km; or none"},
	{"fetch", "yes or no: the weather may be fetched"},
	{"write", "yes or no: the config is written"},
}

// Keys lists the questions by key, a line each.
func Keys() string {
	var b strings.Builder
	for _, k := range keys {
		fmt.Fprintf(&b, "  %-13s %s\n", k.key, k.wants)
	}
	return b.String()
}

// ReadAnswers reads answers from YAML: a group of keys with one value each.
func ReadAnswers(r io.Reader) (Answers, error) {
	var doc yaml.Node
	err := yaml.NewDecoder(io.LimitReader(r, 1<<20)).Decode(&doc)
	if errors.Is(err, io.EOF) {
		return Answers{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("answers are not YAML (%w); write lines such as region: us", err)
	}
	if len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return nil, errors.New("answers are no group of keys; write lines such as region: us")
	}
	out := Answers{}
	for n, i := doc.Content[0].Content, 0; i+1 < len(n); i += 2 {
		k, v := n[i], n[i+1]
		if v.Kind != yaml.ScalarNode {
			return nil, fmt.Errorf("answers, line %d: %s wants one value on its line, in quotes where it has a comma or colon", k.Line, k.Value)
		}
		out[k.Value] = v.Value
	}
	return out, nil
}

// Check reports an answer to a question that there is not.
func (a Answers) Check() error {
	for _, k := range slices.Sorted(maps.Keys(a)) {
		known := false
		var names []string
		for _, q := range keys {
			known = known || q.key == k
			names = append(names, q.key)
		}
		if !known {
			return fmt.Errorf("there is no question %q; they are %s", k, strings.Join(names, ", "))
		}
	}
	return nil
}

// A Dialogue asks. Its methods are called by one goroutine.
type Dialogue struct {
	In    io.Reader
	Out   io.Writer
	Width int // of a terminal; 0: lines are not wrapped
	// Ask says that somebody is there to answer. Else a question without an answer takes
	// its default.
	Ask bool
	// Given answers are not asked for. They are taken once: one that turns out wrong
	// later is asked for, or ends the dialogue.
	Given Answers

	lines chan line
}

type line struct {
	text string
	err  error
}

// A question is asked until its answer can be read.
type question struct {
	key    string
	text   string // the prompt, without a colon
	why    string // said before it; may be empty
	answer string // taken for an empty line; "" where there is none
	needed bool   // an empty answer is none
	read   func(string) error
}

// ErrUnanswered: nobody is there to answer, and no answer was given.
var ErrUnanswered = errors.New("nobody to ask")

// ask returns once q.read has taken an answer.
func (d *Dialogue) ask(ctx context.Context, q question) error {
	if v, ok := d.Given[q.key]; ok {
		err := q.read(strings.TrimSpace(v))
		if err != nil && !d.Ask {
			return fmt.Errorf("answer %s: %q: %w", q.key, v, err)
		}
		if err == nil {
			return nil
		}
		d.say("%q: %v.", v, err)
	}
	if !d.Ask {
		if q.answer == "" && q.needed {
			return fmt.Errorf("%w: give an answer to %s", ErrUnanswered, q.key)
		}
		if err := q.read(q.answer); err != nil {
			return fmt.Errorf("%w: give an answer to %s; %w", ErrUnanswered, q.key, err)
		}
		return nil
	}
	if q.why != "" {
		d.say("")
		d.say("%s", q.why)
	}
	for {
		prompt := q.text
		if q.answer != "" {
			prompt += " [" + q.answer + "]"
		}
		fmt.Fprint(d.Out, prompt+": ")
		got, err := d.readLine(ctx)
		if err != nil {
			fmt.Fprintln(d.Out)
			return err
		}
		if got == "" {
			got = q.answer
		}
		switch {
		case got == "" && q.needed:
			d.say("  This one is needed.")
			continue
		case got == "?":
			d.say("  %s", wants(q.key))
			continue
		}
		if err = q.read(got); err == nil {
			return nil
		}
		d.say("  %v.", err)
	}
}

func wants(key string) string {
	for _, k := range keys {
		if k.key == key {
			return "Wanted: " + k.wants + "."
		}
	}
	return ""
}

// Yes asks for yes or no.
func (d *Dialogue) Yes(ctx context.Context, key, text, why string, byDefault bool) (bool, error) {
	out := byDefault
	answer := map[bool]string{true: "yes", false: "no"}[byDefault]
	err := d.ask(ctx, question{key: key, text: text + " (yes or no)", why: why, answer: answer, read: func(s string) error {
		switch strings.ToLower(s) {
		case "y", "yes", "true":
			out = true
		case "n", "no", "false":
			out = false
		default:
			return errors.New("write yes or no")
		}
		return nil
	}})
	return out, err
}

// readLine reads one line. The read goes on when ctx ends, which is the end of the
// process.
func (d *Dialogue) readLine(ctx context.Context) (string, error) {
	if d.lines == nil {
		d.lines = make(chan line)
		go func() {
			in := bufio.NewScanner(d.In)
			for in.Scan() {
				d.lines <- line{text: strings.TrimSpace(in.Text())}
			}
			err := in.Err()
			if err == nil {
				err = errors.New("the input has ended in the middle of the questions; nothing was written")
			}
			d.lines <- line{err: err}
		}()
	}
	select {
	case l := <-d.lines:
		return l.text, l.err
	case <-ctx.Done():
		return "", errors.New("interrupted; nothing was written")
	}
}

// say prints a paragraph.
func (d *Dialogue) say(format string, a ...any) {
	s := fmt.Sprintf(format, a...)
	if d.Width > 0 {
		var lines []string
		for l := range strings.SplitSeq(s, "\n") {
			indent := l[:len(l)-len(strings.TrimLeft(l, " "))]
			for i, w := range strings.Split(text.WrapSoft(strings.TrimLeft(l, " "), d.Width-len(indent)), "\n") {
				if i > 0 || w != "" {
					w = indent + strings.TrimSpace(w)
				}
				lines = append(lines, w)
			}
		}
		s = strings.Join(lines, "\n")
	}
	fmt.Fprintln(d.Out, s)
}
