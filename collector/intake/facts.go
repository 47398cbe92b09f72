package intake

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
	"holdfast/collector/store"
)

// KindTallied is the ledger's record of the facts that the stored tallies rest on;
// the package owns its body.
const KindTallied = "tallied"

// A mounting opens an installation on a tuner ("" for all) at an instant.
type mounting struct {
	Held  int64  `json:"held"`
	Tuner string `json:"tuner"`
	Name  string `json:"name"`
}

// tallied is the body of KindTallied.
type tallied struct {
	Version       int64      `json:"version"`
	Installations []mounting `json:"installations"`
	known         int64
}

// facts are the dated facts that tallies rest on.
type facts struct {
	mountings []mounting // ascending by time, entries for all tuners before those for one
	byTuner   map[string][]mounting
	units     map[string]reception.ScaleUnit
	used      map[string]bool // scales asked for that the ledger does not describe
}

func newFacts(m []mounting) facts {
	slices.SortFunc(m, func(a, b mounting) int { return cmp.Or(cmp.Compare(a.Held, b.Held), cmp.Compare(a.Tuner, b.Tuner)) })
	return facts{mountings: m, byTuner: map[string][]mounting{}, units: map[string]reception.ScaleUnit{}, used: map[string]bool{}}
}

// of returns the installations of one tuner, ascending; of two at one instant the
// later in the list, the tuner's own, holds.
func (f *facts) of(tuner string) []mounting {
	m, ok := f.byTuner[tuner]
	if !ok {
		for _, x := range f.mountings {
			if x.Tuner == "" || x.Tuner == tuner {
				m = append(m, x)
			}
		}
		f.byTuner[tuner] = m
	}
	return m
}

// installation returns the installation of a tuner at an instant, "" before the
// first.
func installation(m []mounting, at int64) string {
	i, _ := slices.BinarySearchFunc(m, at+1, func(x mounting, t int64) int { return cmp.Compare(x.Held, t) })
	if i == 0 {
		return ""
	}
	return m[i-1].Name
}

// regime returns the lookup of a tuner's regimes.
func (f *facts) regime(tuner string) func(*reception.Reading) reception.Regime {
	m := f.of(tuner)
	return func(r *reception.Reading) reception.Regime {
		return reception.Regime{Installation: installation(m, r.Time), Mode: r.Mode, Scale: r.Scale}
	}
}

func (f *facts) unit(scale string) reception.ScaleUnit {
	u, ok := f.units[scale]
	if !ok && scale != "" {
		f.used[scale] = true
	}
	return u
}

func (in *Intake) mountings(ctx context.Context) ([]mounting, error) {
	entries, err := collect(in.ledger.Entries(ctx, reception.KindInstallation))
	if err != nil {
		return nil, err
	}
	out := []mounting{}
	for _, e := range entries {
		if len(e.Body) == 0 { // withdrawn
			continue
		}
		var b reception.InstallationEntry
		if err := json.Unmarshal(e.Body, &b); err != nil {
			return nil, fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		out = append(out, mounting{e.Held, e.Key, b.Name})
	}
	return out, nil
}

// loadFacts takes the installations that the stored tallies rest on; catchUp brings
// them up to date.
func (in *Intake) loadFacts(ctx context.Context) error {
	t, err := in.tallied(ctx)
	if err != nil {
		return err
	}
	in.facts = newFacts(t.Installations)
	return nil
}

func (in *Intake) tallied(ctx context.Context) (tallied, error) {
	entries, err := collect(in.ledger.Entries(ctx, KindTallied))
	if err != nil {
		return tallied{}, err
	}
	t := tallied{}
	for _, e := range entries {
		if err := json.Unmarshal(e.Body, &t); err != nil {
			return tallied{}, fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		t.known = e.Known
	}
	return t, nil
}

// refresh takes scales that were described since.
func (in *Intake) refresh(ctx context.Context) error {
	seq, err := in.ledger.LedgerSeq(ctx)
	if err != nil {
		return err
	}
	if seq == in.ledgerSeq {
		return nil
	}
	entries, err := collect(in.ledger.Entries(ctx, reception.KindScale))
	if err != nil {
		return err
	}
	units, changed := maps.Clone(in.facts.units), false
	for _, e := range entries {
		var sc reception.Scale
		if err := unmarshalScale(e.Body, &sc); err != nil {
			return fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		if in.facts.used[e.Key] && sc.Unit != units[e.Key] {
			changed = true
		}
		units[e.Key] = sc.Unit
	}
	if changed { // hours were made while nobody knew what this scale means
		if err := in.log.Touch(ctx, store.Query{}); err != nil {
			return err
		}
		clear(in.facts.used)
	}
	in.facts.units, in.ledgerSeq = units, seq
	return nil
}

// unmarshalScale reads the unit of a scale alone: a step or ceiling that is not
// known may be written in a form that JSON numbers do not have.
func unmarshalScale(body []byte, sc *reception.Scale) error {
	if len(body) == 0 {
		return nil
	}
	var b struct{ Unit reception.ScaleUnit }
	if err := json.Unmarshal(body, &b); err != nil {
		return err
	}
	sc.Unit = b.Unit
	return nil
}

// InstallationsChanged takes in what was entered, edited or withdrawn among the
// ledger's installations: the hours that now stand under another one are marked, and
// made again by the next Rebuild, which also finds changes that it was not told of.
func (in *Intake) InstallationsChanged(ctx context.Context) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if err := in.load(ctx); err != nil {
		return fmt.Errorf("take in installations: %w", err)
	}
	if err := in.catchUp(ctx); err != nil {
		return fmt.Errorf("take in installations: %w", err)
	}
	return nil
}

// catchUp touches the hours whose tallies rest on other facts than hold now. The
// record of the facts is written last, so that a crash in between repeats it.
func (in *Intake) catchUp(ctx context.Context) error {
	was, err := in.tallied(ctx)
	if err != nil {
		return err
	}
	m, err := in.mountings(ctx)
	if err != nil {
		return err
	}
	units, used := in.facts.units, in.facts.used
	now := newFacts(m)
	now.units, now.used = units, used
	old := newFacts(was.Installations)
	if was.Version == tally.Version && slices.Equal(old.mountings, now.mountings) {
		in.facts = now
		return nil
	}
	switch {
	case len(in.spans) == 0:
	case was.Version != tally.Version:
		if err := in.log.Touch(ctx, store.Query{}); err != nil {
			return err
		}
	default:
		if err := in.touchMoved(ctx, &old, &now); err != nil {
			return err
		}
		if err := in.learnAgain(ctx, &now); err != nil {
			return err
		}
	}
	body, err := json.Marshal(tallied{Version: tally.Version, Installations: now.mountings})
	if err != nil {
		return err
	}
	if err := in.ledger.Put(ctx, reception.Entry{Kind: KindTallied, Key: "tallies", Known: max(in.now(), was.known+1), Body: body}); err != nil {
		return err
	}
	in.facts = now
	return nil
}

// touchMoved marks the spans in which a tuner's installation is another one now.
func (in *Intake) touchMoved(ctx context.Context, old, now *facts) error {
	var tuners []string
	for _, s := range sortedSeries(in.spans) {
		if !slices.Contains(tuners, s.Tuner) {
			tuners = append(tuners, s.Tuner)
		}
	}
	for _, t := range tuners {
		a, b := old.of(t), now.of(t)
		edges := []int64{reception.EarliestMS}
		for _, m := range slices.Concat(a, b) {
			edges = append(edges, m.Held)
		}
		slices.Sort(edges)
		edges = slices.Compact(append(edges, store.Always.To))
		for i, from := range edges[:len(edges)-1] {
			if installation(a, from) == installation(b, from) {
				continue
			}
			if err := in.log.Touch(ctx, store.Query{Span: store.Span{From: from, To: edges[i+1]}, Tuner: t}); err != nil {
				return err
			}
		}
	}
	return nil
}
