package dvb

import (
	"fmt"
	"strings"

	"holdfast/analysis/reception"
)

// A Discovery is what this machine shows of tuners.
type Discovery struct {
	Tuners []Found // by adapter, then frontend
	// Problems concern no frontend that is there: no driver, no device node, firmware
	// that the kernel did not find.
	Problems []Problem
}

// A Problem is one line for people, and one with the remedy.
type Problem struct {
	What, Remedy string
}

// State says what can be done with a frontend.
type State string

// The states.
const (
	StateUsable    State = "usable"
	StateInUse     State = "in use"
	StateForbidden State = "no permission"
	StateUnfit     State = "not for terrestrial television"
	StateHung      State = "does not answer"
	StateFailing   State = "fails"
)

// A Found is a frontend that is there.
type Found struct {
	Adapter, Frontend int
	Node              string             // /dev/dvb/adapter0/frontend0
	Name              string             // what it calls itself
	Path              string             // its device under /sys/devices; "" if not known
	Serial            string             // of the device or the one it is plugged in by
	Systems           []string           // all that it receives, in words
	Receives          []reception.System // those of them that holdfast knows
	LowHz, HighHz     int64              // frequency range, 0 if it does not say
	Known             bool               // its driver is in the table: all its numbers have units

	State   State
	Holders []Holder // who has it in use, as far as this account can see
	Err     error    // what the kernel said, if not usable
	Remedy  string   // one line; "" if usable
}

// A Holder is a program that has a frontend open for writing.
type Holder struct {
	PID     int
	Program string
}

// Options name the frontend so that it is found again under another adapter number.
func (f Found) Options() Options {
	return Options{Adapter: f.Adapter, Frontend: f.Frontend, Name: f.Name, Path: f.Path}
}

// String is one line: which, what, and whether it can be used.
func (f Found) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "adapter %d frontend %d", f.Adapter, f.Frontend)
	if f.Name != "" {
		fmt.Fprintf(&b, ", %s", f.Name)
	}
	if len(f.Systems) > 0 {
		fmt.Fprintf(&b, " (%s)", strings.Join(f.Systems, ", "))
	}
	fmt.Fprintf(&b, ": %s", f.State)
	if who := holderNames(f.Holders); who != "" {
		fmt.Fprintf(&b, " by %s", who)
	}
	if f.Remedy != "" {
		fmt.Fprintf(&b, "; %s", f.Remedy)
	}
	return b.String()
}

func holderNames(hs []Holder) string {
	var out []string
	for _, h := range hs {
		out = append(out, fmt.Sprintf("%s (process %d)", h.Program, h.PID))
	}
	return strings.Join(out, ", ")
}
