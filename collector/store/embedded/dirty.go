package embedded

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"holdfast/collector/store"
)

// A mark says that the tallies of an hour of a series must be made again.
type mark struct{ hour, series int64 }

// marksAtOnce is how many marks one statement sets or removes: one by one the statements
// themselves took more time than what they did.
const marksAtOnce = 64

var (
	markMany = markStatement(marksAtOnce)
	markOne  = markStatement(1)

	settleMany = settleStatement(marksAtOnce)
	settleOne  = settleStatement(1)
)

func markStatement(n int) string {
	return `INSERT INTO dirty_hour (hour, series, seq) VALUES ` + strings.Repeat("(?, ?, ?), ", n-1) + `(?, ?, ?)
	ON CONFLICT (hour, series) DO UPDATE SET seq = excluded.seq`
}

func settleStatement(n int) string {
	return `DELETE FROM dirty_hour WHERE series = ? AND seq <= ? AND hour IN (` + strings.Repeat("?, ", n-1) + `?)`
}

// markDirty sets marks with a sequence, in the order of their key, which it brings them
// into.
func (w *writer) markDirty(ctx context.Context, marks []mark, seq int64) error {
	slices.SortFunc(marks, func(a, b mark) int { return cmp.Or(cmp.Compare(a.hour, b.hour), cmp.Compare(a.series, b.series)) })
	marks = slices.Compact(marks)
	args := make([]any, 0, 3*min(len(marks), marksAtOnce))
	for len(marks) > 0 {
		query, n := markOne, 1
		if len(marks) >= marksAtOnce {
			query, n = markMany, marksAtOnce
		}
		args = args[:0]
		for _, m := range marks[:n] {
			args = append(args, m.hour, m.series, seq)
		}
		if err := w.exec(ctx, query, args...); err != nil {
			return err
		}
		marks = marks[n:]
	}
	return nil
}

// settle removes the marks of hours that were made again and not touched since. Hours of
// one series that come one after another are removed together.
func (a *appending) settle(hours []store.DirtyHour) error {
	args := make([]any, 0, 2+min(len(hours), marksAtOnce))
	for len(hours) > 0 {
		first, n := hours[0], 1
		for n < len(hours) && n < marksAtOnce && hours[n].Series == first.Series && hours[n].Seq == first.Seq {
			n++
		}
		query := settleMany
		if n < marksAtOnce {
			query, n = settleOne, 1
		}
		row := a.s.cat.series[first.Series]
		if row != nil { // else nothing was ever stored of it
			args = append(args[:0], row.id, first.Seq)
			for _, h := range hours[:n] {
				args = append(args, h.Hour)
			}
			if err := a.exec(query, args...); err != nil {
				return err
			}
		}
		hours = hours[n:]
	}
	return nil
}
