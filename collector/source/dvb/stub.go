//go:build !linux || !(amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"io"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/psi"
)

var errNoLinux = errors.New("dvb tuners need Linux on amd64, arm64 or armv7; on this system use the replay or simulated source")

// A Source is one frontend; on this system there is none.
type Source struct{}

var _ collector.Source = (*Source)(nil)

// New returns an error on this system.
func New(Options) (*Source, error) { return nil, errNoLinux }

// Discover returns an error on this system.
func Discover(context.Context) (Discovery, error) { return Discovery{}, errNoLinux }

// Report returns an error on this system.
func Report(context.Context, io.Writer, ReportOptions) error { return errNoLinux }

// Visit returns an error.
func (*Source) Visit(context.Context, collector.Visit) (reception.Reading, error) {
	return reception.NewReading(), errNoLinux
}

func (*Source) visitNames(context.Context, collector.Visit, psi.Coding) (reception.Reading, psi.Heard, error) {
	return reception.NewReading(), psi.Heard{}, errNoLinux
}

// Scale knows none.
func (*Source) Scale(string) (reception.Scale, bool) { return reception.Scale{}, false }

// Tuner is empty but for its kind.
func (*Source) Tuner() reception.Tuner { return reception.Tuner{Kind: "dvb"} }

// Rejected is 0.
func (*Source) Rejected() int64 { return 0 }

// Close does nothing.
func (*Source) Close() error { return nil }
