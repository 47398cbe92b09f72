package intake

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// KindIdentity is the ledger's record of the first visits that read an identity, by
// which the expected one is known where the configuration names none. Key: as of
// KindBaseInterval; the package owns its body.
const KindIdentity = "identity"

// agreeing is how many first locked visits must agree.
const agreeing = 3

// A sighting is an identity that a locked visit read.
type sighting struct {
	Time     int64  `json:"time"`
	Identity string `json:"identity"`
}

// sightings are the first ones of a series by installation, at most three of each,
// ascending.
type sightings struct {
	by    map[string][]sighting
	known int64
}

// expected returns the identity that the first three agree on, "" if they do not or
// there are fewer. Mode and scale play no part: they do not change what a signal
// calls itself.
func expected(first []sighting) string {
	if len(first) < agreeing || first[0].Identity != first[1].Identity || first[0].Identity != first[2].Identity {
		return ""
	}
	return first[0].Identity
}

// see enters a reading, and reports whether it is among the first.
func (s *sightings) see(m []mounting, r *reception.Reading) bool {
	if !r.Valid() || !r.Locked || r.Identity == "" {
		return false
	}
	name := installation(m, r.Time)
	first := s.by[name]
	if len(first) == agreeing && r.Time >= first[agreeing-1].Time {
		return false
	}
	i, taken := slices.BinarySearchFunc(first, r.Time, func(x sighting, at int64) int { return cmp.Compare(x.Time, at) })
	if taken {
		return false
	}
	first = slices.Insert(slices.Clone(first), i, sighting{r.Time, r.Identity})
	s.by[name] = first[:min(len(first), agreeing)]
	return true
}

// Expected returns the identity that a visit to a series is held against at an instant:
// the configuration's, else the one that the first visits agreed on; "" accepts any.
func (in *Intake) Expected(s reception.Series, at int64) string {
	in.mu.Lock()
	defer in.mu.Unlock()
	if id := in.o.Rules(s).Identity; id != "" {
		return id
	}
	if !in.loaded {
		return ""
	}
	return expected(in.identities[s].by[installation(in.facts.of(s.Tuner), at)])
}

// complete returns the span around an instant in which readings are not among the first
// of their installation, nothing if there is none.
func (s *sightings) complete(m []mounting, at int64) (from, to int64) {
	i, _ := slices.BinarySearchFunc(m, at+1, func(x mounting, t int64) int { return cmp.Compare(x.Held, t) })
	first := s.by[installation(m, at)]
	if len(first) < agreeing || at < first[agreeing-1].Time {
		return 0, 0
	}
	from, to = first[agreeing-1].Time, store.Always.To
	if i > 0 {
		from = max(from, m[i-1].Held)
	}
	if i < len(m) {
		to = m[i].Held
	}
	return from, to
}

func (in *Intake) loadIdentities(ctx context.Context) error {
	entries, err := collect(in.ledger.Entries(ctx, KindIdentity))
	if err != nil {
		return err
	}
	for _, e := range entries {
		s, err := parseSeries(e.Key)
		if err != nil {
			return fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		x := sightings{known: e.Known}
		if err := json.Unmarshal(e.Body, &x.by); err != nil {
			return fmt.Errorf("read %s: %w", store.EntryName(e), err)
		}
		in.identities[s] = x
	}
	return nil
}

// learn takes note of the identities in readings of one series that are about to be
// stored.
func (in *Intake) learn(ctx context.Context, s reception.Series, rs []reception.Reading) error {
	if in.o.Rules(s).Identity != "" {
		return nil
	}
	m, now := in.facts.of(s.Tuner), sightings{by: maps.Clone(in.identities[s].by)}
	if now.by == nil {
		now.by = map[string][]sighting{}
	}
	fresh := false
	var from, to int64 // what was read in between says nothing more
	for i := range rs {
		if at := rs[i].Time; at < from || at >= to {
			fresh = now.see(m, &rs[i]) || fresh
			from, to = now.complete(m, at)
		}
	}
	if !fresh {
		return nil
	}
	return in.identify(ctx, s, now)
}

// identify takes the first sightings of a series as found, and touches the hours
// whose visits may now be judged otherwise.
func (in *Intake) identify(ctx context.Context, s reception.Series, now sightings) error {
	was := in.identities[s]
	from := store.Always.To
	for name := range mergedKeys(was.by, now.by) {
		a, b := was.by[name], now.by[name]
		switch {
		case expected(a) == expected(b):
		case len(a) < agreeing: // until now there were none but these three
			from = min(from, b[agreeing-1].Time)
		default:
			from = 0
		}
	}
	if from < store.Always.To {
		if err := in.log.Touch(ctx, of(s, from, store.Always.To)); err != nil {
			return err
		}
	}
	body, err := json.Marshal(now.by)
	if err != nil {
		return err
	}
	now.known = max(in.now(), was.known+1)
	if err := in.ledger.Put(ctx, reception.Entry{Kind: KindIdentity, Key: seriesName(s), Known: now.known, Body: body}); err != nil {
		return err
	}
	in.identities[s] = now
	return nil
}

func mergedKeys(a, b map[string][]sighting) map[string]bool {
	out := map[string]bool{}
	for k := range a {
		out[k] = true
	}
	for k := range b {
		out[k] = true
	}
	return out
}

// learnAgain finds the first sightings of all series anew, under other installations.
func (in *Intake) learnAgain(ctx context.Context, now *facts) error {
	for _, s := range sortedSeries(in.identities) {
		m, found := now.of(s.Tuner), sightings{by: map[string][]sighting{}}
		for chunk, err := range in.log.Readings(ctx, of(s, 0, store.Always.To)) {
			if err != nil {
				return err
			}
			for i := range chunk {
				found.see(m, &chunk[i])
			}
		}
		if maps.EqualFunc(found.by, in.identities[s].by, slices.Equal) {
			continue
		}
		if err := in.identify(ctx, s, found); err != nil {
			return err
		}
	}
	return nil
}
