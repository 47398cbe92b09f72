// Package dashboards serves holdfast's HTTP API and its pages. The same handlers
// answer the browser, the command line through the daemon's socket, and a command
// that opened the store itself.
package dashboards

import (
	"context"
	"io"
	"iter"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// A Backend is what the handlers need of a home. It is implemented where the parts
// are wired together. Spans are Unix ms, [from, to); zero means the default.
type Backend interface {
	// Facts describes the home as configured, with what the ledger adds.
	Facts(ctx context.Context) (Facts, error)
	// Answer runs the questions. from, to and at of 0 mean the defaults: first
	// reading, at, and now (or the end of the last reading without own tuners).
	Answer(ctx context.Context, from, to, at int64) (answer.Answer, error)
	// Tallies yields the hour tallies that begin in the span, ascending by hour.
	Tallies(ctx context.Context, from, to int64) iter.Seq2[KeyedTally, error]
	// Weather yields the merged weather of the span, one row an interval, ascending.
	Weather(ctx context.Context, from, to int64) iter.Seq2[reception.Weather, error]
	// Leaf returns the estimated leaf state, 0 to 1, at local noon of each day whose
	// noon lies in the span; nil where there is no leaf season. Days to come are
	// expected ones.
	Leaf(ctx context.Context, from, to int64) ([]LeafDay, error)
	// Alarms lists alarms raised or standing in the span, newest first.
	Alarms(ctx context.Context, from, to int64) ([]alerting.Alarm, error)
	// Acknowledge marks an alarm as seen by somebody.
	Acknowledge(ctx context.Context, id string) error
	// TryWay sends a sample by the way of telling with a name and says what came back.
	TryWay(ctx context.Context, name string) (string, error)
	// Health lists what the daemon knows of itself.
	Health(ctx context.Context) ([]reception.Health, error)
	// Watch returns a channel that receives after something changed; it is closed
	// when ctx ends. Slow readers lose ticks, not the latest one.
	Watch(ctx context.Context) <-chan struct{}
	// Import reads CSV of a kind ("readings", "weather", "installations"). name is
	// for messages, scales the text of a scales.csv or nil. progress is called now
	// and then.
	Import(ctx context.Context, kind, name string, csv io.Reader, scales io.Reader, progress func(ImportProgress)) (ImportReport, error)
	// Export writes what is stored of a kind ("readings", "scales", "weather",
	// "installations") in a format ("csv", which Import reads, "json", "parquet"), of
	// the span; scales and installations are written whole.
	Export(ctx context.Context, kind, format string, from, to int64, w io.Writer) error
	// Ready reports whether everything has started; the error says what has not.
	Ready(ctx context.Context) error
}

// Facts describes the home to a page.
type Facts struct {
	Home          reception.Home
	Channels      []reception.Channel
	Transmitters  []reception.Transmitter
	Tuners        []reception.Tuner
	Scales        map[string]reception.Scale
	Wanted        reception.Wanted
	Installations []Installation
	NowMS         int64 // the home's clock
	FirstMS       int64 // first reading, 0 if none
}

// An Installation is a line of the installation log.
type Installation struct {
	FromMS int64
	Tuner  string // "" for all
	Name   string
	Note   string
}

// A KeyedTally is an hour tally with its key.
type KeyedTally struct {
	Key   reception.TallyKey
	Tally reception.Tally
}

// A LeafDay is the leaf state of one day.
type LeafDay struct {
	NoonMS   int64
	State    float64
	Expected bool // not yet happened: by the usual year
}

// ImportProgress is how far an import has come.
type ImportProgress struct {
	Rows  int64 `json:"rows"`
	Bytes int64 `json:"bytes"`
}

// An ImportReport says what became of a file.
type ImportReport struct {
	Rows          int64         `json:"rows"`
	New           int64         `json:"new"`
	Duplicates    int64         `json:"duplicates"`
	Bad           []ImportIssue `json:"bad"`       // first ones, by line
	BadCount      int64         `json:"bad_count"` // all of them
	Conflicts     []ImportIssue `json:"conflicts"`
	ConflictCount int64         `json:"conflict_count"`
	Warnings      []string      `json:"warnings"`
}

// An ImportIssue names a line of the file and what is wrong with it.
type ImportIssue struct {
	Line int64  `json:"line"`
	What string `json:"what"`
}
