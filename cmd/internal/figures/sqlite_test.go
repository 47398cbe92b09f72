//go:build linux

package figures

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"

	_ "github.com/ncruces/go-sqlite3/driver"
)

// Plain rows in SQLite, as a program that thought no further would keep them: one table,
// one index, ten thousand rows a transaction.
func openPlain(t yearTask) (*sql.DB, error) {
	db, err := sql.Open("sqlite3", "file:"+filepath.Join(t.Dir, "plain.db")+
		"?_pragma=journal_mode(wal)&_pragma=synchronous(full)")
	if err == nil {
		db.SetMaxOpenConns(1)
	}
	return db, err
}

const plainTable = `CREATE TABLE readings (
	time INTEGER, tuner TEXT, frequency_hz INTEGER, visit TEXT, dwell_ms INTEGER, locked INTEGER, locked_ms INTEGER,
	level_dbm REAL, cn_db REAL, cn_low_db REAL, cn_spread_db REAL, pre_errors INTEGER, pre_bits INTEGER,
	uncorrected_blocks INTEGER, total_blocks INTEGER, identity TEXT, mode TEXT, system TEXT, scale TEXT);
	CREATE UNIQUE INDEX readings_key ON readings (tuner, frequency_hz, time)`

func sqliteImport(ctx context.Context, t yearTask) (task, error) {
	db, err := openPlain(t)
	if err != nil {
		return task{}, err
	}
	out, err := timed(int64(t.Year.rows()), func() error {
		if _, err := db.ExecContext(ctx, plainTable); err != nil {
			return err
		}
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer func() { tx.Rollback() }()
		const insert = `INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`
		st, err := tx.PrepareContext(ctx, insert)
		if err != nil {
			return err
		}
		n := 0
		for c := range t.Year.all() {
			for i := range c.Readings {
				r := &c.Readings[i]
				_, err := st.ExecContext(ctx, r.Time, r.Tuner, r.FrequencyHz, string(r.Visit), r.DwellMS, r.Locked, r.LockedMS,
					r.LevelDBm, r.CNDB, r.CNLowDB, r.CNSpreadDB, r.PreErrors, r.PreBits,
					r.UncorrectedBlocks, r.TotalBlocks, r.Identity, r.Mode, string(r.System), r.Scale)
				if err != nil {
					return err
				}
				if n++; n%10000 > 0 {
					continue
				}
				if err := tx.Commit(); err != nil {
					return err
				}
				if tx, err = db.BeginTx(ctx, nil); err != nil {
					return err
				}
				if st, err = tx.PrepareContext(ctx, insert); err != nil {
					return err
				}
			}
		}
		return tx.Commit()
	})
	if cerr := db.Close(); err == nil {
		err = cerr
	}
	out.Disk = dirSize(t.Dir, "")
	return out, err
}

func sqliteMonth(ctx context.Context, t yearTask) (task, error) {
	db, err := openPlain(t)
	if err != nil {
		return task{}, err
	}
	defer db.Close()
	from, to := t.Year.month()
	series := t.Year.series()
	return repeated(10, func(i int) error {
		r := &series[i%len(series)].reading
		rows, err := db.QueryContext(ctx, `SELECT * FROM readings WHERE tuner = ? AND frequency_hz = ? AND time >= ? AND time < ? ORDER BY time`,
			r.Tuner, r.FrequencyHz, from, to)
		if err != nil {
			return err
		}
		defer rows.Close()
		into := make([]any, 19)
		for k := range into {
			into[k] = new(any)
		}
		n := 0
		for ; rows.Next(); n++ {
			if err := rows.Scan(into...); err != nil {
				return err
			}
		}
		if want := int((to - from) / yearMinute); n != want {
			return fmt.Errorf("the month has %d rows, want %d: %w", n, want, rows.Err())
		}
		return rows.Err()
	})
}

func sqliteScan(ctx context.Context, t yearTask) (task, error) {
	db, err := openPlain(t)
	if err != nil {
		return task{}, err
	}
	defer db.Close()
	return timed(int64(t.Year.rows()), func() error {
		var bins, sum int
		err := db.QueryRowContext(ctx, `SELECT count(*), sum(n) FROM (SELECT count(*) n FROM readings WHERE locked GROUP BY tuner, frequency_hz, round(cn_db * 10))`).Scan(&bins, &sum)
		if err == nil && (bins < 100*t.Year.Channels/40 || sum < t.Year.rows()/2) {
			err = fmt.Errorf("%d bins with %d readings are too few", bins, sum)
		}
		return err
	})
}
