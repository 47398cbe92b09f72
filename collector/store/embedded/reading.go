package embedded

import (
	"context"
	"database/sql"

	"holdfast/analysis/reception"
)

// readingsAtOnce is the length of a chunk: 512 readings are some 180 kB, which stay near the
// processor while they are filled in column by column and looked at.
const readingsAtOnce = 512

// A hotRow is a scanned row of hot, in the order of hotColumns. Scanning into any
// spares database/sql its conversions, which cost more than SQLite's own work.
type hotRow struct {
	v    [hotWidth]any
	dest []any
}

func newHotRow() *hotRow {
	r := &hotRow{dest: make([]any, hotWidth)}
	for i := range r.v {
		r.dest[i] = &r.v[i]
	}
	return r
}

func (h *hotRow) seq() int64 { return unpackInt(h.v[2]) }

// fill fills in all of a reading but its series.
func (h *hotRow) fill(r *reception.Reading, formOf func(int64) (form, error)) error {
	x, err := formOf(unpackInt(h.v[3]))
	if err != nil {
		return err
	}
	v := &h.v
	r.Time, r.Known, r.DwellMS = unpackInt(v[0]), unpackInt(v[4]), unpackInt(v[5])
	r.LockedMS = unpackLocked(r.DwellMS, v[6])
	r.LevelDBm, r.LevelPct = unpackFloat(v[7]), unpackFloat(v[8])
	r.CNDB, r.CNLowDB, r.CNSpreadDB = unpackFloat(v[9]), unpackFloat(v[10]), unpackFloat(v[11])
	r.QualityPct, r.ErroredS = unpackFloat(v[12]), unpackFloat(v[13])
	r.PreErrors, r.PreBits = unpackCount(v[14]), unpackCount(v[15])
	r.UncorrectedBlocks, r.TotalBlocks = unpackCount(v[16]), unpackCount(v[17])
	r.Visit, r.Why, r.Locked, r.TunedHz = x.visit, x.why, x.locked, x.tunedHz
	r.Identity, r.Mode, r.System, r.Scale = x.identity, x.mode, x.system, x.scale
	return nil
}

// formLookup returns a lookup that remembers the last form, which is mostly the next
// one too.
func (s *Store) formLookup(ctx context.Context) func(int64) (form, error) {
	var last int64
	var x form
	return func(id int64) (form, error) {
		if id == last {
			return x, nil
		}
		f, err := s.form(ctx, id)
		if err == nil {
			last, x = id, f
		}
		return f, err
	}
}

const hotSpanQuery = `SELECT ` + hotColumns + ` FROM hot WHERE time >= ? AND time < ? ORDER BY time, series`

// readStmts are the statements of the reading connections.
type readStmts struct {
	snapshot, hot, hotSome, form, weather, tallies, changes, dirty, entries, history *sql.Stmt
}

func (r *readStmts) all() map[**sql.Stmt]string {
	return map[**sql.Stmt]string{
		&r.snapshot: `SELECT 1 FROM migration LIMIT 1`,
		&r.hot:      `SELECT ` + hotColumns + ` FROM hot WHERE time >= ? AND time < ? AND series = ? ORDER BY time`,
		&r.hotSome:  `SELECT ` + hotColumns + ` FROM hot WHERE time >= ? AND time < ? AND series IN (SELECT value FROM json_each(?)) ORDER BY time`,
		&r.form:     `SELECT visit, why, locked, tuned_hz, identity, mode, system, scale FROM form WHERE id = ?`,
		&r.weather:  `SELECT ` + weatherColumns + ` FROM weather WHERE time >= ? AND time < ? ORDER BY time, source, interval_s`,
		&r.tallies: `SELECT t.id, t.day, t.series, r.installation, r.mode, r.scale, t.body FROM tally_day t JOIN regime r ON r.id = t.regime
			WHERE t.day >= ? AND t.day <= ? ORDER BY t.day`,
		&r.changes: `SELECT seq, weather, tuner, frequency_hz, layer, "from", "to" FROM change WHERE seq > ? ORDER BY seq`,
		&r.dirty:   `SELECT hour, series, seq FROM dirty_hour ORDER BY hour, series`,
		&r.entries: `SELECT kind, key, held, known, body FROM entry e WHERE kind = ?
			AND known = (SELECT max(known) FROM entry o WHERE o.kind = e.kind AND o.held = e.held AND o.key = e.key) ORDER BY held, key`,
		&r.history: `SELECT kind, key, held, known, body FROM entry WHERE kind = ? ORDER BY known, held, key`,
	}
}

func (r *readStmts) prepare(ctx context.Context, db *sql.DB) error {
	for st, query := range r.all() {
		var err error
		if *st, err = db.PrepareContext(ctx, query); err != nil {
			return err
		}
	}
	return nil
}

func (r *readStmts) close() error {
	for st := range r.all() {
		if *st != nil {
			(*st).Close()
		}
	}
	return nil
}
