package intake

import (
	"testing"

	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

func named(at int64, identity string) reception.Reading {
	return row(at, func(r *reception.Reading) { r.Identity = identity })
}

func (b *bench) wrong() (n int64) {
	b.t.Helper()
	for _, p := range b.tallies() {
		k, err := tally.Unpack(p)
		b.must(err)
		n += k.Tally.WrongIdentity
	}
	return n
}

func TestTheFirstThreeLockedVisitsNameTheIdentity(t *testing.T) {
	unlocked := named(week0+2*minute, "900")
	unlocked.Locked = false
	all := []reception.Reading{
		named(week0, "100"), named(week0+minute, ""), unlocked, named(week0+3*minute, "100"), named(week0+4*minute, "100"),
		named(week0+10*minute, "200"), named(week0+15*minute, "100"),
	}
	b := newBench(t, 300*second)
	b.add(all...)
	b.finish()
	if n := b.wrong(); n != 1 {
		t.Errorf("%d visits on the wrong identity, want the one of 200", n)
	}
	same(t, b, imported(t, all))

	// Earlier visits are found that agree on 200: what came after is judged by them.
	early := []reception.Reading{named(week0-hour, "200"), named(week0-50*minute, "200"), named(week0-40*minute, "200")}
	_, err := b.in.Import(t.Context(), seq(early), nil)
	b.must(err)
	if n := b.wrong(); n != 4 {
		t.Errorf("%d visits on the wrong identity, want the four of 100", n)
	}

	// A new antenna opens a new regime, whose own first visits decide.
	b.install(week0-10*minute, "", "mast")
	b.must(b.in.Rebuild(t.Context()))
	if n := b.wrong(); n != 1 {
		t.Errorf("%d visits on the wrong identity under two installations, want 1", n)
	}
}

func TestFirstVisitsThatDisagreeNameNothing(t *testing.T) {
	b := newBench(t, 300*second)
	b.add(named(week0, "100"), named(week0+minute, "200"), named(week0+2*minute, "100"), named(week0+3*minute, "300"))
	b.finish()
	if n := b.wrong(); n != 0 {
		t.Errorf("%d visits on the wrong identity, want none: nobody knows the right one", n)
	}
}

// What a visit is held against is the configuration's, else what was learnt under the
// installation of its day.
func TestExpected(t *testing.T) {
	b := newBench(t, 300*second)
	first := named(week0, "")
	s := first.Series()
	if got := b.in.Expected(s, week0); got != "" {
		t.Errorf("before anything was read: %q, want none", got)
	}
	b.add(named(week0, "0x0421"), named(week0+minute, "0x0421"))
	if got := b.in.Expected(s, week0); got != "" {
		t.Errorf("after two visits: %q, want none", got)
	}
	b.add(named(week0+2*minute, "0x0421"))
	if got := b.in.Expected(s, week0+3*minute); got != "0x0421" {
		t.Errorf("after three: %q, want 0x0421", got)
	}
	b.install(week0+10*minute, "", "mast")
	b.must(b.in.Rebuild(t.Context()))
	if before, after := b.in.Expected(s, week0+9*minute), b.in.Expected(s, week0+11*minute); before != "0x0421" || after != "" {
		t.Errorf("before the new installation %q, after it %q; want 0x0421 and none yet", before, after)
	}
	b.in.Renew(func(reception.Series) tally.Rules { return tally.Rules{Identity: "0x0500"} }, "")
	if got := b.in.Expected(s, week0); got != "0x0500" {
		t.Errorf("configured: %q, want 0x0500", got)
	}
}
