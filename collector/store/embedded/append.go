package embedded

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"strings"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// An appending is one Append under way. What it makes becomes the store's own when
// it is committed.
type appending struct {
	s       *Store
	ctx     context.Context // the caller's: looked at between statements
	run     context.Context // the statements'
	out     store.Appended
	series  map[reception.Series]*touched
	order   []*touched // in series order
	forms   map[form]int64
	of      []*touched // the series of each reading
	latest  tail
	pending []line // after the commit

	// Of readings that go into files.
	filing     *filing
	committing bool // what remains is the commit
	taken      []bool
	repeats    []repeat
	kept       []reception.Reading
	sealedTo   map[int64]int64 // by series id
}

// touched is a series of the batch.
type touched struct {
	row   *seriesRow
	rank  int // in series order
	seq   int64
	n     int64      // new readings
	new   store.Span // that they lie in, if there are any
	hours []int64    // of new readings, ascending
	tally store.Span // hours of tallies put or dropped; zero without any
}

// tallied notes that a tally of an hour was put or dropped.
func (t *touched) tallied(hour int64) {
	t.tally = union(t.tally, store.Span{From: hour * reception.HourMS, To: (hour + 1) * reception.HourMS})
}

// union returns the span that covers two; the zero Span covers nothing here.
func union(a, b store.Span) store.Span {
	if a == (store.Span{}) {
		return b
	}
	if b == (store.Span{}) {
		return a
	}
	return store.Span{From: min(a.From, b.From), To: max(a.To, b.To)}
}

// Append implements [store.Log].
func (s *Store) Append(ctx context.Context, b store.Batch) (store.Appended, error) {
	a := &appending{s: s, ctx: ctx, run: context.WithoutCancel(ctx),
		series: map[reception.Series]*touched{}, forms: map[form]int64{}}
	if err := s.write(ctx, forReadings, func() error { return a.all(&b) }, a.commit); err != nil {
		if a.filing != nil {
			a.filing.undo(a.committing)
		}
		return store.Appended{}, err
	}
	if a.filing != nil {
		s.reached(4)
		s.removeStranded()
	}
	return a.out, nil
}

func (a *appending) all(b *store.Batch) error {
	a.latest = slices.Clone(a.s.cat.latest)
	if err := a.nameSeries(b); err != nil {
		return err
	}
	if err := a.readings(b.Readings); err != nil {
		return err
	}
	weather, err := a.weather(b.Weather)
	if err != nil {
		return err
	}
	if err := a.tallies(b); err != nil {
		return err
	}
	if err := a.settle(b.Settled); err != nil {
		return err
	}
	if !b.FoldedReadings {
		if err := a.dirty(); err != nil {
			return err
		}
	}
	if err := a.note(weather); err != nil {
		return err
	}
	if a.filing != nil {
		if err := a.filing.name(); err != nil {
			return a.s.explainFile("write", err)
		}
		if err := a.filing.put(a.run); err != nil {
			return err
		}
	}
	a.committing = true
	return nil
}

func (a *appending) exec(query string, args ...any) error {
	return a.s.w.exec(a.run, query, args...)
}

// nameSeries gives every series of the batch its row and its sequence.
func (a *appending) nameSeries(b *store.Batch) error {
	add := func(k reception.Series) {
		if a.series[k] != nil {
			return
		}
		t := &touched{row: a.s.cat.series[k]}
		if t.row == nil {
			t.row = &seriesRow{Stored: store.Stored{Series: k}}
		}
		a.series[k] = t
		a.order = append(a.order, t)
	}
	a.of = make([]*touched, len(b.Readings))
	for i := range b.Readings {
		k := b.Readings[i].Series()
		if i > 0 && k == a.of[i-1].row.Series {
			a.of[i] = a.of[i-1]
			continue
		}
		add(k)
		a.of[i] = a.series[k]
	}
	for i := range b.Tallies {
		add(b.Tallies[i].Series)
	}
	for _, h := range b.ReplaceHours {
		add(h.Series)
	}
	slices.SortFunc(a.order, func(x, y *touched) int { return store.CompareSeries(x.row.Series, y.row.Series) })
	for i, t := range a.order {
		t.rank, t.seq = i, a.s.cat.seq+1+int64(i)
		if t.row.id != 0 {
			continue
		}
		err := a.s.w.row(a.run, `INSERT INTO series (frequency_hz, layer, tuner) VALUES (?, ?, ?) RETURNING id`,
			[]any{t.row.FrequencyHz, t.row.Layer, t.row.Tuner}, &t.row.id)
		if err != nil {
			return err
		}
	}
	return nil
}

// hotColumns are the columns of hot in the order of [appending.values].
const (
	hotColumns = `time, series, seq, form, known, dwell_ms, unlocked_ms,
	level_dbm, level_pct, cn_db, cn_low_db, cn_spread_db, quality_pct, errored_s,
	pre_errors, pre_bits, uncorrected_blocks, total_blocks`
	hotWidth = 18
)

// rowsAtOnce is how many readings one statement inserts. BenchmarkImport on two busy
// cores took 4.0 us of CPU a reading with 1, 2.9 with 8, 2.7 with 32 and with 128.
const rowsAtOnce = 32

// insertHot is the statement that inserts n readings.
func insertHot(n int) string {
	row := "(" + strings.Repeat("?, ", hotWidth-1) + "?)"
	return `INSERT INTO hot (` + hotColumns + `) VALUES ` + strings.Repeat(row+", ", n-1) + row +
		` ON CONFLICT (time, series) DO NOTHING`
}

// selectHot is the statement that reads the rows of n keys.
func selectHot(n int) string {
	return `SELECT ` + hotColumns + ` FROM hot WHERE (time, series) IN (VALUES ` + strings.Repeat("(?, ?), ", n-1) + `(?, ?))
		ORDER BY time, series`
}

var (
	insertHotMany, insertHotOne = insertHot(rowsAtOnce), insertHot(1)
	selectHotMany, selectHotOne = selectHot(rowsAtOnce), selectHot(1)
)

func (a *appending) values(dst []any, r *reception.Reading, t *touched) ([]any, error) {
	id, err := a.form(formOf(r))
	return append(dst, r.Time, t.row.id, t.seq, id, r.Known, r.DwellMS, packUnlocked(r),
		packFloat(r.LevelDBm), packFloat(r.LevelPct), packFloat(r.CNDB), packFloat(r.CNLowDB), packFloat(r.CNSpreadDB),
		packFloat(r.QualityPct), packFloat(r.ErroredS),
		packCount(r.PreErrors), packCount(r.PreBits), packCount(r.UncorrectedBlocks), packCount(r.TotalBlocks)), err
}

func (a *appending) form(x form) (int64, error) {
	if id, ok := a.forms[x]; ok {
		return id, nil
	}
	if id, ok := a.s.forms.id(x); ok {
		return id, nil
	}
	id, err := a.s.w.intern(a.run,
		`SELECT id FROM form WHERE visit = ? AND why = ? AND locked = ? AND tuned_hz = ? AND identity = ? AND mode = ? AND system = ? AND scale = ?`,
		`INSERT INTO form (visit, why, locked, tuned_hz, identity, mode, system, scale) VALUES (?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		string(x.visit), string(x.why), packBool(x.locked), x.tunedHz, x.identity, x.mode, string(x.system), x.scale)
	if err == nil {
		a.forms[x] = id
	}
	return id, err
}

// readings stores what is new.
func (a *appending) readings(in []reception.Reading) error {
	months, rest := a.sortOut(in)
	for _, idx := range months {
		few, err := a.bulk(in, idx)
		if err != nil {
			return err
		}
		rest = append(rest, few...)
	}
	if err := a.hot(in, rest); err != nil {
		return err
	}
	for _, r := range a.repeats {
		if err := a.again(in, r); err != nil {
			return err
		}
	}
	slices.SortFunc(a.out.Conflicts, func(x, y store.Conflict) int { return cmp.Compare(x.Index, y.Index) })
	return nil
}

// hot stores readings in the order of the table's key.
func (a *appending) hot(in []reception.Reading, order []int) error {
	key := func(i, j int) int {
		return cmp.Or(cmp.Compare(in[i].Time, in[j].Time), cmp.Compare(a.of[i].row.id, a.of[j].row.id))
	}
	if !slices.IsSortedFunc(order, key) {
		slices.SortStableFunc(order, key) // of equal keys the first stays first
	}
	firsts := order[:0]
	for _, i := range order {
		if n := len(firsts); n > 0 && key(firsts[n-1], i) == 0 {
			a.repeats = append(a.repeats, repeat{int32(firsts[n-1]), int32(i), false})
		} else {
			firsts = append(firsts, i)
		}
	}
	firsts, err := a.lookUp(in, firsts)
	if err != nil {
		return err
	}
	args := make([]any, 0, rowsAtOnce*hotWidth)
	for chunk := range slices.Chunk(firsts, rowsAtOnce) {
		if err := a.ctx.Err(); err != nil {
			return err
		}
		if err := a.insert(args, in, chunk); err != nil {
			return err
		}
	}
	return nil
}

// again judges a reading whose key came before in the batch.
func (a *appending) again(in []reception.Reading, r repeat) error {
	if r.bulk && !a.taken[r.first] {
		a.weigh(in, int(r.again), &in[r.first])
		return nil
	}
	sealed, err := a.sealed(in, int(r.again))
	if sealed || err != nil {
		return err
	}
	return a.compare(in, []int{int(r.again)}, math.MaxInt64)
}

// insert stores readings of different keys and compares what lost with what is
// there. (INSERT OR IGNORE would also swallow rows that break a constraint.)
func (a *appending) insert(args []any, in []reception.Reading, chunk []int) error {
	if len(chunk) < rowsAtOnce {
		for ; len(chunk) > 0; chunk = chunk[1:] {
			if err := a.insertAll(args, in, chunk[:1], insertHotOne); err != nil {
				return err
			}
		}
		return nil
	}
	return a.insertAll(args, in, chunk, insertHotMany)
}

func (a *appending) insertAll(args []any, in []reception.Reading, chunk []int, query string) (err error) {
	args = args[:0]
	for _, i := range chunk {
		if args, err = a.values(args, &in[i], a.of[i]); err != nil {
			return err
		}
	}
	n, err := a.s.w.execN(a.run, query, args...)
	if err != nil {
		return err
	}
	if n < len(chunk) {
		return a.compare(in, chunk, a.s.cat.seq)
	}
	for _, i := range chunk {
		a.added(&in[i], a.of[i])
	}
	return nil
}

// compare looks at the stored rows of a chunk's keys. Those with a sequence after
// `before` were stored by this chunk; the others are judged.
func (a *appending) compare(in []reception.Reading, chunk []int, before int64) error {
	query := selectHotOne
	if len(chunk) > 1 {
		query = selectHotMany
	}
	keys := make([]any, 0, 2*len(chunk))
	for _, i := range chunk {
		keys = append(keys, in[i].Time, a.of[i].row.id)
	}
	st, err := a.s.w.prepare(a.run, query)
	if err != nil {
		return err
	}
	rows, err := st.QueryContext(a.run, keys...)
	if err != nil {
		return err
	}
	defer rows.Close()
	row := newHotRow()
	for _, i := range chunk { // both in the order of the key
		if !rows.Next() {
			return errors.Join(errors.New("a stored reading cannot be read back"), rows.Err())
		}
		if err := rows.Scan(row.dest...); err != nil {
			return err
		}
		if row.seq() > before {
			a.added(&in[i], a.of[i])
		} else if err := a.judge(in, i, a.of[i], row); err != nil {
			return err
		}
	}
	return rows.Err()
}

// added notes a reading that is hot now.
func (a *appending) added(r *reception.Reading, t *touched) {
	a.latest = a.latest.with(r.Time)
	a.count(r, t)
}

// count notes a reading that was new.
func (a *appending) count(r *reception.Reading, t *touched) {
	a.out.New++
	if t.n == 0 {
		t.new = store.Span{From: r.Time, To: r.Time + 1}
	}
	t.n++
	t.new = store.Span{From: min(t.new.From, r.Time), To: max(t.new.To, r.Time+1)}
	if h := store.HourOf(r.Time); len(t.hours) == 0 || t.hours[len(t.hours)-1] != h {
		t.hours = append(t.hours, h) // readings come in the order of time
	}
}

// judge counts reading i, whose key is taken, as a duplicate or a conflict.
func (a *appending) judge(in []reception.Reading, i int, t *touched, row *hotRow) error {
	kept := reception.Reading{Tuner: t.row.Tuner, FrequencyHz: t.row.FrequencyHz, Layer: t.row.Layer}
	if err := row.fill(&kept, a.formByID); err != nil {
		return err
	}
	a.weigh(in, i, &kept)
	return nil
}

// formByID also knows the forms that this transaction has made.
func (a *appending) formByID(id int64) (form, error) {
	for x, n := range a.forms {
		if n == id {
			return x, nil
		}
	}
	return a.s.form(a.run, id)
}

// dirty marks the hours of new readings.
func (a *appending) dirty() error {
	for _, t := range a.order {
		marks := make([]mark, len(t.hours))
		for i, h := range t.hours {
			marks[i] = mark{h, t.row.id}
		}
		if err := a.s.w.markDirty(a.run, marks, t.seq); err != nil {
			return err
		}
	}
	return nil
}

// note makes the lines of the change list, and writes them down unless all may stay
// pending. See [catalogue].
func (a *appending) note(weather store.Span) error {
	c := &a.s.cat
	a.out.Seq, a.pending = c.seq, c.pending
	var lines []line
	live := weather == store.Span{} && a.out.New <= pendingReadings && a.filing == nil
	for _, t := range a.order {
		span := t.tally
		if t.n > 0 {
			span = union(span, t.new)
		}
		if span == (store.Span{}) {
			continue
		}
		lines = append(lines, line{seq: t.seq, series: t.row, span: span})
		a.out.Seq = t.seq
		live = live && t.n > 0 && c.latest.near(t.new.From) && c.recovers(t)
	}
	if live && len(c.pending)+len(lines) <= a.s.pendingLines {
		a.pending = append(c.pending, lines...)
		return nil
	}
	if len(lines) == 0 && weather == (store.Span{}) {
		return nil
	}
	var changes []store.Change
	for _, l := range lines {
		changes = append(changes, store.Change{Seq: l.seq, Series: l.series.Series, Span: l.span})
	}
	if weather != (store.Span{}) {
		a.out.Seq++
		changes = append(changes, store.Change{Seq: a.out.Seq, Span: weather, Weather: true})
	}
	a.pending = nil
	return a.s.writeDown(a.run, changes, a.order)
}

// recovers reports whether a recovered line of a series would cover its tallies.
func (c *catalogue) recovers(t *touched) bool {
	return t.tally == store.Span{} || t.tally.From >= recovered(t.new).From && t.tally.To <= recovered(t.new).To
}

// recovered returns the span of a line of which only the readings are known.
func recovered(readings store.Span) store.Span {
	return store.Span{
		From: (store.HourOf(readings.From) - tallyBackHours) * reception.HourMS,
		To:   (store.HourOf(readings.To-1) + 1) * reception.HourMS,
	}
}

// commit makes what was stored the store's own.
func (a *appending) commit() {
	c := &a.s.cat
	c.latest, c.pending, c.seq = a.latest, a.pending, a.out.Seq
	if a.filing != nil {
		a.filing.shelve(nil)
	}
	for x, id := range a.forms {
		a.s.forms.learn(id, x)
	}
	for _, t := range a.order {
		c.series[t.row.Series], c.byID[t.row.id] = t.row, t.row
		d := t.row.with(t.n, t.new)
		t.row.First, t.row.Last, t.row.Count = d.First, d.Last, d.Count // iterators read the rest
	}
}
