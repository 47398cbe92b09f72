package storetest

import (
	"fmt"
	"strings"
	"testing"

	"holdfast/analysis/reception"
)

func runLedger(t *testing.T, o Options) {
	show := func(es []reception.Entry) []string {
		var out []string
		for _, e := range es {
			out = append(out, fmt.Sprintf("%s/%s held %d known %d %q", e.Kind, e.Key, e.Held, e.Known, e.Body))
		}
		return out
	}
	entry := func(key string, held, known int64, body string) reception.Entry {
		return reception.Entry{Kind: "installation", Key: key, Held: held, Known: known, Body: []byte(body)}
	}

	t.Run("EditsAndHistory", func(t *testing.T) {
		s := o.open(t)
		seq, err := s.LedgerSeq(t.Context())
		must(t, err)
		if seq != 0 {
			t.Errorf("LedgerSeq of an empty ledger = %d, want 0", seq)
		}
		must(t, s.Put(t.Context()))
		must(t, s.Put(t.Context(), entry("loft", 500, 10, "b"), entry("attic", 500, 10, "a"), entry("loft", 100, 11, "c")))
		must(t, s.Put(t.Context(), reception.Entry{Kind: "note", Key: "loft", Held: 500, Known: 10, Body: []byte("other kind")}))
		must(t, s.Put(t.Context(), entry("loft", 500, 30, "b2")))
		must(t, s.Put(t.Context(), entry("loft", 500, 20, "between")))                                         // known earlier: history alone
		must(t, s.Put(t.Context(), reception.Entry{Kind: "installation", Key: "attic", Held: 500, Known: 40})) // withdrawn
		sameStrings(t, "Entries", show(all(t, s.Entries(t.Context(), "installation"))), []string{
			`installation/loft held 100 known 11 "c"`,
			`installation/attic held 500 known 40 ""`,
			`installation/loft held 500 known 30 "b2"`,
		})
		sameStrings(t, "History", show(all(t, s.History(t.Context(), "installation"))), []string{
			`installation/attic held 500 known 10 "a"`,
			`installation/loft held 500 known 10 "b"`,
			`installation/loft held 100 known 11 "c"`,
			`installation/loft held 500 known 20 "between"`,
			`installation/loft held 500 known 30 "b2"`,
			`installation/attic held 500 known 40 ""`,
		})
		sameStrings(t, "another kind", show(all(t, s.Entries(t.Context(), "note"))), []string{`note/loft held 500 known 10 "other kind"`})
		sameStrings(t, "no such kind", show(all(t, s.Entries(t.Context(), "alarm"))), nil)
	})

	t.Run("EqualPutChangesNothing", func(t *testing.T) {
		s := o.open(t)
		withdrawn := reception.Entry{Kind: "installation", Key: "x", Held: 1, Known: 2}
		must(t, s.Put(t.Context(), entry("loft", 1, 1, "a"), withdrawn))
		must(t, s.Put(t.Context(), entry("loft", 1, 1, "a"), withdrawn, entry("x", 1, 2, "")))
		if n := len(all(t, s.History(t.Context(), "installation"))); n != 2 {
			t.Errorf("%d entries, want 2", n)
		}
	})

	t.Run("ConflictingPut", func(t *testing.T) {
		s := o.open(t)
		must(t, s.Put(t.Context(), entry("loft", 1, 1, "a")))
		for name, es := range map[string][]reception.Entry{
			"with what is there": {entry("new", 1, 1, "n"), entry("loft", 1, 1, "b"), entry("newer", 1, 1, "n")},
			"within the call":    {entry("new", 1, 1, "n"), entry("new", 1, 1, "m")},
			"withdrawal":         {entry("loft", 1, 1, "")},
		} {
			err := s.Put(t.Context(), es...)
			if err == nil {
				t.Errorf("%s: no error", name)
				continue
			}
			if !strings.Contains(err.Error(), "installation") || !strings.Contains(err.Error(), "loft") && !strings.Contains(err.Error(), "new") {
				t.Errorf("%s: error %q does not name the entry", name, err)
			}
		}
		sameStrings(t, "entries", show(all(t, s.History(t.Context(), "installation"))), []string{`installation/loft held 1 known 1 "a"`})
		must(t, s.Put(t.Context(), entry("loft", 1, 2, "b")))
	})

	t.Run("SeqRises", func(t *testing.T) {
		s := o.open(t)
		last := int64(0)
		for i := range int64(5) {
			must(t, s.Put(t.Context(), entry("loft", 1, i, "a")))
			seq, err := s.LedgerSeq(t.Context())
			must(t, err)
			if seq <= last {
				t.Errorf("put %d: LedgerSeq = %d, was %d", i, seq, last)
			}
			last = seq
		}
	})

	t.Run("CallerKeepsItsBytes", func(t *testing.T) {
		s := o.open(t)
		body := []byte("before")
		must(t, s.Put(t.Context(), reception.Entry{Kind: "note", Body: body}))
		copy(body, "behind")
		got := all(t, s.Entries(t.Context(), "note"))
		if len(got) != 1 || string(got[0].Body) != "before" {
			t.Errorf("entries %q, want the bytes as they were put", show(got))
		}
	})

	t.Run("LargeBody", func(t *testing.T) {
		s := o.open(t)
		body := strings.Repeat("0123456789abcdef", 1<<16)
		must(t, s.Put(t.Context(), entry("loft", 1, 1, body)))
		got := all(t, s.Entries(t.Context(), "installation"))
		if len(got) != 1 || string(got[0].Body) != body {
			t.Error("a body of 1 MiB does not come back")
		}
	})
}
