package embedded

import (
	"cmp"
	"errors"
	"slices"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

const (
	// bulkRows is how many readings of one month a batch has at least to be thought of
	// as a history, that goes straight into a file; fewer go where live ones go.
	bulkRows = 4096
	// newRows is how many of them must be new for a file to be worth it.
	newRows = 1024
)

// sortOut splits the readings of a batch, by their index, into those that may go into
// files, by month, and the rest.
func (a *appending) sortOut(in []reception.Reading) (months [][]int32, rest []int) {
	if len(in) >= a.s.bulkRows {
		byMonth := map[int64]int{} // index into months
		var lo, hi int64           // of the month at hand
		at := 0
		for i := range in {
			if t := in[i].Time; t < lo || t >= hi {
				m := monthOf(t)
				lo, hi = monthStart(m), monthStart(m+1)
				var ok bool
				if at, ok = byMonth[m]; !ok {
					at = len(months)
					byMonth[m], months = at, append(months, nil)
				}
			}
			months[at] = append(months[at], int32(i))
		}
		slices.SortFunc(months, func(x, y []int32) int { return cmp.Compare(in[x[0]].Time, in[y[0]].Time) })
		keep := months[:0]
		for _, of := range months {
			if len(of) >= a.s.bulkRows {
				keep = append(keep, of)
				continue
			}
			for _, i := range of {
				rest = append(rest, int(i))
			}
		}
		slices.Sort(rest)
		return keep, rest
	}
	rest = make([]int, len(in))
	for i := range rest {
		rest[i] = i
	}
	return nil, rest
}

// A run is the readings of one series in a month of a batch, ascending by time.
type run struct {
	of  *touched
	idx []int32
}

// bulk stores the readings of a month, whose indexes are given. It returns those that
// are new and too few for a file.
func (a *appending) bulk(in []reception.Reading, idx []int32) (rest []int, err error) {
	runs := a.runs(in, idx)
	a.s.ahead.appends++
	if err := a.ctx.Err(); err != nil {
		return nil, err
	}
	gone := a.gone(len(in)) // those that are there already
	if err := a.againstHot(in, runs, gone); err != nil {
		return nil, err
	}
	fresh := 0
	for _, r := range runs {
		if err := a.againstSealed(in, r, gone); err != nil {
			return nil, err
		}
		for _, i := range r.idx {
			if !gone[i] {
				fresh++
			}
		}
	}
	if fresh < a.s.newRows {
		for _, r := range runs {
			for _, i := range r.idx {
				if !gone[i] {
					rest = append(rest, int(i))
				}
			}
		}
		return rest, nil
	}
	if err := a.file(in, runs, gone); err != nil {
		return nil, a.s.explainFile("write", err)
	}
	return nil, nil
}

func (a *appending) gone(n int) []bool {
	if a.taken == nil {
		a.taken = make([]bool, n)
	}
	return a.taken
}

// runs brings a month into the order of series and time, and judges what comes twice.
func (a *appending) runs(in []reception.Reading, idx []int32) []run {
	key := func(i, j int32) int {
		x, y := a.of[i], a.of[j]
		if x != y {
			return cmp.Compare(x.rank, y.rank)
		}
		return cmp.Compare(in[i].Time, in[j].Time)
	}
	if !slices.IsSortedFunc(idx, key) {
		slices.SortStableFunc(idx, key) // of equal keys the first stays first
	}
	var out []run
	from := 0
	kept := idx[:0]
	for k, i := range idx {
		if k > 0 && len(kept) > 0 && key(kept[len(kept)-1], i) == 0 {
			a.repeats = append(a.repeats, repeat{kept[len(kept)-1], i, true})
			continue
		}
		if n := len(kept); n > from && a.of[kept[n-1]] != a.of[i] {
			out = append(out, run{a.of[kept[from]], kept[from:n:n]})
			from = n
		}
		kept = append(kept, i)
	}
	return append(out, run{a.of[kept[from]], kept[from:]})
}

// A repeat is a reading of a batch whose key came before in it.
type repeat struct {
	first, again int32
	bulk         bool // unless the first was there already, it is stored now
}

// againstHot looks for readings that are hot.
func (a *appending) againstHot(in []reception.Reading, runs []run, gone []bool) error {
	lo, hi := int64(1<<62), int64(-1<<62)
	bySeries := map[int64]*run{}
	for k := range runs {
		r := &runs[k]
		lo, hi = min(lo, in[r.idx[0]].Time), max(hi, in[r.idx[len(r.idx)-1]].Time)
		bySeries[r.of.row.id] = r
	}
	st, err := a.s.w.prepare(a.run, hotSpanQuery)
	if err != nil {
		return err
	}
	rows, err := st.QueryContext(a.run, lo, hi+1)
	if err != nil {
		return err
	}
	defer rows.Close()
	row := newHotRow()
	for rows.Next() {
		if err := rows.Scan(row.dest...); err != nil {
			return err
		}
		r := bySeries[unpackInt(row.v[1])]
		if r == nil {
			continue
		}
		t := unpackInt(row.v[0])
		k, ok := slices.BinarySearchFunc(r.idx, t, func(i int32, t int64) int { return cmp.Compare(in[i].Time, t) })
		if !ok {
			continue
		}
		i := r.idx[k]
		gone[i] = true
		if err := a.judge(in, int(i), r.of, row); err != nil {
			return err
		}
	}
	return rows.Err()
}

// againstSealed looks for readings that are sealed.
func (a *appending) againstSealed(in []reception.Reading, r run, gone []bool) error {
	first, last := in[r.idx[0]].Time, in[r.idx[len(r.idx)-1]].Time
	for _, g := range a.s.shelf.overlapping(r.of.row.id, first, last+1) {
		if err := a.ctx.Err(); err != nil {
			return err
		}
		if err := a.againstGroup(in, r, gone, g); err != nil && !errors.Is(err, errAside) {
			return err
		}
	}
	return nil
}

// againstGroup compares with what was kept of a group, or with the group.
func (a *appending) againstGroup(in []reception.Reading, r run, gone []bool, g groupRow) error {
	l := a.s.archive
	if l.isAside(g.seg) {
		return errAside
	}
	c := l.borrow()
	defer l.giveBack(c)
	first, last := in[r.idx[0]].Time, in[r.idx[len(r.idx)-1]].Time
	meet := func() (k, row int, ok bool) { return met(in, r.idx, c, 0, c.Search(first)) }
	given, known := a.s.ahead.give(g, c, first, last)
	if !given && !known { // perhaps nothing meets
		if err := l.read(g, c, true); err != nil {
			return err
		}
		if _, _, ok := meet(); !ok {
			return nil
		}
	}
	if !given {
		if err := l.read(g, c, false); err != nil {
			return err
		}
		a.s.ahead.keep(g, c, last)
	}
	k, row, ok := meet()
	if a.kept == nil {
		a.kept = make([]reception.Reading, 256)
	}
	for ok {
		n := 1 // how many meet one after the other
		for n < len(a.kept) && k+n < len(r.idx) && row+n < c.Rows() && in[r.idx[k+n]].Time == c.Time(row+n) {
			n++
		}
		c.Fill(a.kept[:n], row)
		for j := range n {
			i := r.idx[k+j]
			if !gone[i] { // else judged with another group
				gone[i] = true
				a.weigh(in, int(i), &a.kept[j])
			}
		}
		k, row, ok = met(in, r.idx, c, k+n, row+n)
	}
	return nil
}

// met returns the first index from k on, and the row from `row` on, of one instant.
func met(in []reception.Reading, idx []int32, c *segment.Columns, k, row int) (int, int, bool) {
	for k < len(idx) && row < c.Rows() {
		switch t, u := in[idx[k]].Time, c.Time(row); {
		case t == u:
			return k, row, true
		case t < u:
			k++
		default:
			row++
		}
	}
	return k, row, false
}

// bulkWorkers is how many columns of a history are encoded side by side.
const bulkWorkers = 2

// prepareBulk makes the writer of histories. It stays until the house is kept.
func (s *Store) prepareBulk() error {
	if s.bulkWriter != nil {
		return nil
	}
	c, err := segment.NewCodec(bulkWorkers)
	if err == nil {
		s.bulkWriter = segment.NewWriter(c, bulkWorkers)
	}
	return err
}

// file writes the new readings of a month into a file of their own.
func (a *appending) file(in []reception.Reading, runs []run, gone []bool) error {
	if a.filing == nil {
		if err := a.s.prepareBulk(); err != nil {
			return err
		}
		a.filing = &filing{s: a.s, w: a.s.bulkWriter}
	}
	f := a.filing
	if err := f.begin(monthOf(in[runs[0].idx[0]].Time), part); err != nil {
		return err
	}
	ids := map[reception.Series]int64{}
	for _, r := range runs {
		ids[r.of.row.Series] = r.of.row.id
		if err := a.ctx.Err(); err != nil {
			return err
		}
		for k := 0; k < len(r.idx); {
			i := r.idx[k]
			if gone[i] {
				k++
				continue
			}
			// As many as lie one after the other.
			n := 1
			room := min(len(r.idx)-k, segment.MaxRows-f.w.Rows())
			for n < room && r.idx[k+n] == i+int32(n) && !gone[r.idx[k+n]] {
				n++
			}
			f.w.Add(in[i : int(i)+n])
			for j := range n {
				a.count(&in[int(i)+j], r.of)
			}
			if k += n; f.w.Rows() == segment.MaxRows {
				if err := f.w.Cut(); err != nil {
					return err
				}
			}
		}
		if err := f.w.Cut(); err != nil {
			return err
		}
	}
	words, err := a.s.words(a.run)
	if err != nil {
		return err
	}
	return f.end(words, ids)
}

// lookUp splits readings of different keys into those of instants that are sealed,
// which it judges, and the others, whose order stays.
func (a *appending) lookUp(in []reception.Reading, idx []int) ([]int, error) {
	var late []int
	for _, i := range idx {
		id := a.of[i].row.id
		if groups := a.s.shelf.groups[id]; len(groups) > 0 && in[i].Time <= a.lastSealed(id, groups) {
			late = append(late, i)
		}
	}
	if len(late) == 0 {
		return idx, nil
	}
	slices.SortFunc(late, func(i, j int) int { // so that each group is read once
		return cmp.Or(cmp.Compare(a.of[i].rank, a.of[j].rank), cmp.Compare(in[i].Time, in[j].Time))
	})
	judged := map[int]bool{}
	for _, i := range late {
		if err := a.ctx.Err(); err != nil {
			return nil, err
		}
		var err error
		if judged[i], err = a.sealed(in, i); err != nil {
			return nil, err
		}
	}
	return slices.DeleteFunc(idx, func(i int) bool { return judged[i] }), nil
}

// sealed judges a reading whose instant is sealed.
func (a *appending) sealed(in []reception.Reading, i int) (bool, error) {
	t, id := in[i].Time, a.of[i].row.id
	for _, g := range a.s.shelf.overlapping(id, t, t+1) {
		c, err := a.s.late.columns(a.s.archive, g)
		if errors.Is(err, errAside) {
			continue
		}
		if err != nil {
			return false, err
		}
		row := c.Search(t)
		if row == c.Rows() || c.Time(row) != t {
			continue
		}
		var kept [1]reception.Reading
		c.Fill(kept[:], row)
		a.weigh(in, i, &kept[0])
		return true, nil
	}
	return false, nil
}

// lastSealed returns the last sealed instant of a series.
func (a *appending) lastSealed(id int64, groups []groupRow) int64 {
	if t, ok := a.sealedTo[id]; ok {
		return t
	}
	t := groups[0].t1
	for _, g := range groups {
		t = max(t, g.t1)
	}
	if a.sealedTo == nil {
		a.sealedTo = map[int64]int64{}
	}
	a.sealedTo[id] = t
	return t
}

// A lateCache keeps the groups that late readings last fell into: to read one is some
// milliseconds. It is used with the turn to write.
type lateCache struct {
	of []lateGroup // the last used last
}

type lateGroup struct {
	segment int64
	rg      int
	columns *segment.Columns
}

// lateGroups is how many groups are kept, of a few megabytes at most each.
const lateGroups = 2

func (l *lateCache) columns(from *archive, g groupRow) (*segment.Columns, error) {
	if from.isAside(g.seg) {
		return nil, errAside
	}
	for i, x := range l.of {
		if x.segment == g.seg.id && x.rg == g.rg {
			l.of = append(slices.Delete(l.of, i, i+1), x)
			return x.columns, nil
		}
	}
	x := lateGroup{g.seg.id, g.rg, nil}
	if len(l.of) >= lateGroups {
		x.columns = l.of[0].columns
		l.of = slices.Delete(l.of, 0, 1)
	} else {
		x.columns = &segment.Columns{}
	}
	if err := from.read(g, x.columns, false); err != nil {
		return nil, err
	}
	l.of = append(l.of, x)
	return x.columns, nil
}

// weigh counts reading i, whose key is taken, as a duplicate or a conflict.
func (a *appending) weigh(in []reception.Reading, i int, kept *reception.Reading) {
	if kept.Equal(&in[i]) {
		a.out.Duplicates++
	} else {
		a.out.Conflicts = append(a.out.Conflicts, store.ReadingConflict(i, kept, &in[i]))
	}
}
