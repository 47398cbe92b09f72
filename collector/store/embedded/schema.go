package embedded

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"holdfast/collector/store"
)

// A migration makes the next version of a store: first its statements run, then
// convert, if there is one. It keeps what it cannot convert.
type migration struct {
	schema  string
	convert func(context.Context, *sql.Conn) error
}

// migrations make version i+1 of version i. They only ever go forward; one that was
// released is never changed, and each has a store of the version before it in
// testdata.
//
// Measurements are declared without a type, so that SQLite keeps each value as it is
// given: an integer is in thousandths, a real is the value itself, null is "not
// available". A decimal of three places or fewer takes two or three bytes as an
// integer and eight as a real.
var migrations = []migration{{schema: `
CREATE TABLE series (
	id INTEGER PRIMARY KEY,
	frequency_hz INTEGER NOT NULL, layer TEXT NOT NULL, tuner TEXT NOT NULL,
	-- as of the last line of the change list
	first INTEGER NOT NULL DEFAULT 0, last INTEGER NOT NULL DEFAULT 0, count INTEGER NOT NULL DEFAULT 0,
	UNIQUE (frequency_hz, layer, tuner));

-- What readings of a series have in common while nothing is changed at the tuner.
CREATE TABLE form (
	id INTEGER PRIMARY KEY,
	visit TEXT NOT NULL, why TEXT NOT NULL, locked INTEGER NOT NULL, tuned_hz INTEGER NOT NULL,
	identity TEXT NOT NULL, mode TEXT NOT NULL, system TEXT NOT NULL, scale TEXT NOT NULL,
	UNIQUE (visit, why, locked, tuned_hz, identity, mode, system, scale));

CREATE TABLE hot (
	time INTEGER NOT NULL, -- Unix ms, start of the dwell
	series INTEGER NOT NULL REFERENCES series,
	seq INTEGER NOT NULL, -- of the change list
	form INTEGER NOT NULL REFERENCES form,
	known INTEGER NOT NULL, dwell_ms INTEGER NOT NULL,
	unlocked_ms INTEGER, -- of the dwell: mostly 0, which takes no space
	level_dbm, level_pct, cn_db, cn_low_db, cn_spread_db, quality_pct, errored_s,
	pre_errors INTEGER, pre_bits INTEGER, uncorrected_blocks INTEGER, total_blocks INTEGER,
	PRIMARY KEY (time, series)) WITHOUT ROWID;

CREATE TABLE weather (
	time INTEGER NOT NULL, -- Unix ms, end of the interval
	source TEXT NOT NULL, interval_s INTEGER NOT NULL,
	distance_km, modelled INTEGER NOT NULL, known INTEGER NOT NULL,
	temp_c, dewpoint_c, pressure_hpa, wind_mps, gust_mps, wind_dir_deg, rain_mm_h, snow_mm_h,
	precipitation TEXT NOT NULL, thunder TEXT NOT NULL,
	PRIMARY KEY (time, source, interval_s)) WITHOUT ROWID;

CREATE TABLE regime (
	id INTEGER PRIMARY KEY,
	installation TEXT NOT NULL, mode TEXT NOT NULL, scale TEXT NOT NULL,
	UNIQUE (installation, mode, scale));

-- With a rowid: without one a body over 1 KB spills to overflow pages.
CREATE TABLE tally_day (
	id INTEGER PRIMARY KEY,
	day INTEGER NOT NULL, -- days since 1970-01-01 UTC
	series INTEGER NOT NULL REFERENCES series,
	regime INTEGER NOT NULL REFERENCES regime,
	hours INTEGER NOT NULL, -- bit n: hour n of the day is there
	body BLOB NOT NULL,
	UNIQUE (day, series, regime));

CREATE TABLE dirty_hour (
	hour INTEGER NOT NULL, series INTEGER NOT NULL REFERENCES series, seq INTEGER NOT NULL,
	PRIMARY KEY (hour, series)) WITHOUT ROWID;

CREATE TABLE change (
	seq INTEGER PRIMARY KEY,
	weather INTEGER NOT NULL,
	tuner TEXT NOT NULL, frequency_hz INTEGER NOT NULL, layer TEXT NOT NULL,
	"from" INTEGER NOT NULL, "to" INTEGER NOT NULL);

CREATE TABLE entry (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	kind TEXT NOT NULL, key TEXT NOT NULL, held INTEGER NOT NULL, known INTEGER NOT NULL,
	body BLOB NOT NULL,
	UNIQUE (kind, held, key, known));
`}, {schema: `
-- Files of sealed readings. An id is never used twice.
CREATE TABLE segment (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	file TEXT NOT NULL UNIQUE,
	month INTEGER NOT NULL, -- months since 1970-01, UTC
	rows INTEGER NOT NULL, bytes INTEGER NOT NULL,
	crc32c INTEGER NOT NULL, -- of what follows the last row group; that has a checksum for each group
	merged INTEGER NOT NULL);

-- Their row groups: readings of one series from t0 up to and including t1.
CREATE TABLE segment_group (
	series INTEGER NOT NULL REFERENCES series,
	t0 INTEGER NOT NULL,
	segment INTEGER NOT NULL REFERENCES segment,
	rg INTEGER NOT NULL,
	t1 INTEGER NOT NULL, n INTEGER NOT NULL,
	PRIMARY KEY (series, t0, segment, rg)) WITHOUT ROWID;
`}, {schema: `
-- Rows of tally_day that could not be read, set aside while their hours are made again.
CREATE TABLE tally_damaged (
	id INTEGER PRIMARY KEY,
	day INTEGER NOT NULL, series INTEGER NOT NULL, regime INTEGER NOT NULL,
	body BLOB NOT NULL);
`, convert: compressDays}}

// migrate brings the database to the newest version in one transaction. A database
// of a newer version is refused before anything is written.
func migrate(ctx context.Context, c *sql.Conn) error {
	var version int
	err := c.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name = 'migration'`).Scan(&version)
	if err == nil && version > 0 {
		err = c.QueryRowContext(ctx, `SELECT max(version) FROM migration`).Scan(&version)
	}
	if err != nil {
		return fmt.Errorf("read its version: %w", err)
	}
	if version > len(migrations) {
		return newer(version)
	}
	if err := durable(ctx, c); err != nil {
		return err
	}
	if version == len(migrations) {
		return nil
	}
	if _, err := c.ExecContext(ctx, `BEGIN IMMEDIATE;
		CREATE TABLE IF NOT EXISTS migration (version INTEGER PRIMARY KEY, at INTEGER NOT NULL)`); err != nil {
		return err
	}
	for v := version; v < len(migrations); v++ {
		_, err := c.ExecContext(ctx, migrations[v].schema)
		if err == nil && migrations[v].convert != nil {
			err = migrations[v].convert(ctx, c)
		}
		if err == nil {
			_, err = c.ExecContext(ctx, `INSERT INTO migration VALUES (?, ?)`, v+1, time.Now().UnixMilli())
		}
		if err != nil {
			c.ExecContext(ctx, `ROLLBACK`)
			return fmt.Errorf("migrate to version %d: %w", v+1, err)
		}
	}
	_, err = c.ExecContext(ctx, `COMMIT`)
	return err
}

// newer refuses a store of a version that this program does not know.
func newer(version int) error {
	return fmt.Errorf("%w: it has version %d, this program knows %d; install the newer program", store.ErrNewer, version, len(migrations))
}

// sealedSince is the first version whose database names files of sealed readings.
const sealedSince = 2

// durable sets how the database is written. A page size holds for a new file alone.
func durable(ctx context.Context, c *sql.Conn) error {
	var mode string
	if _, err := c.ExecContext(ctx, `PRAGMA page_size = 4096`); err != nil {
		return err
	}
	if err := c.QueryRowContext(ctx, `PRAGMA journal_mode = WAL`).Scan(&mode); err != nil {
		return err
	}
	if mode != "wal" { // SQLite says so and goes on without
		return errors.New("its file system cannot keep a write-ahead log (a network drive?); choose a data directory on a local disk")
	}
	// FULL: one sync a commit. The log is cut to 8 MiB after a large import.
	_, err := c.ExecContext(ctx, `PRAGMA synchronous = FULL; PRAGMA journal_size_limit = 8388608`)
	return err
}
