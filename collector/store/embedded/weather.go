package embedded

import (
	"context"
	"database/sql"
	"iter"
	"strings"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

const (
	weatherColumns = `time, source, interval_s, distance_km, modelled, known, temp_c, dewpoint_c, pressure_hpa,
	wind_mps, gust_mps, wind_dir_deg, rain_mm_h, snow_mm_h, precipitation, thunder`
	weatherWidth = 16
)

var insertWeather = `INSERT INTO weather (` + weatherColumns + `) VALUES (?` + strings.Repeat(", ?", weatherWidth-1) + `)
	ON CONFLICT (time, source, interval_s) DO NOTHING`

// weather stores what is new and returns the span that those intervals cover.
func (a *appending) weather(in []reception.Weather) (span store.Span, err error) {
	for i := range in {
		if err := a.ctx.Err(); err != nil {
			return span, err
		}
		w := &in[i]
		n, err := a.s.w.execN(a.run, insertWeather, w.Time, w.Source, w.IntervalS, packFloat(w.DistanceKM), packBool(w.Modelled), w.Known,
			packFloat(w.TempC), packFloat(w.DewpointC), packFloat(w.PressureHPa), packFloat(w.WindMPS), packFloat(w.GustMPS),
			packFloat(w.WindDirDeg), packFloat(w.RainMMPerHour), packFloat(w.SnowMMPerHour), string(w.Precipitation), string(w.Thunder))
		if err != nil {
			return span, err
		}
		if n == 1 {
			a.out.New++
			span = union(span, store.Span{From: w.Time - w.IntervalS*1000, To: w.Time + 1})
			continue
		}
		st, err := a.s.w.prepare(a.run, `SELECT `+weatherColumns+` FROM weather WHERE time = ? AND source = ? AND interval_s = ?`)
		if err != nil {
			return span, err
		}
		kept, err := scanWeather(st.QueryRowContext(a.run, w.Time, w.Source, w.IntervalS))
		if err != nil {
			return span, err
		}
		if kept.Equal(w) {
			a.out.Duplicates++
		} else {
			a.out.Conflicts = append(a.out.Conflicts, store.WeatherConflict(i, &kept, w))
		}
	}
	return span, nil
}

func scanWeather(row interface{ Scan(...any) error }) (w reception.Weather, err error) {
	var f [9]any
	var modelled int64
	err = row.Scan(&w.Time, &w.Source, &w.IntervalS, &f[0], &modelled, &w.Known,
		&f[1], &f[2], &f[3], &f[4], &f[5], &f[6], &f[7], &f[8], &w.Precipitation, &w.Thunder)
	w.Modelled = modelled != 0
	for i, p := range []*float64{&w.DistanceKM, &w.TempC, &w.DewpointC, &w.PressureHPa, &w.WindMPS, &w.GustMPS, &w.WindDirDeg,
		&w.RainMMPerHour, &w.SnowMMPerHour} {
		*p = unpackFloat(f[i])
	}
	return w, err
}

// Weather implements [store.Log].
func (s *Store) Weather(ctx context.Context, span store.Span) iter.Seq2[reception.Weather, error] {
	return func(yield func(reception.Weather, error) bool) {
		from, to := span.Bounds()
		deliver(yield, s.read(ctx, nil, func(tx *sql.Tx) error {
			return each(ctx, s, tx, s.stmts.weather, []any{from, to}, func(rows *sql.Rows) (reception.Weather, error) {
				return scanWeather(rows)
			}, yield)
		}))
	}
}

// each yields the rows of a statement.
func each[T any](ctx context.Context, s *Store, tx *sql.Tx, st *sql.Stmt, args []any,
	scan func(*sql.Rows) (T, error), yield func(T, error) bool) error {
	rows, err := tx.StmtContext(ctx, st).QueryContext(ctx, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := s.check(ctx); err != nil {
			return err
		}
		x, err := scan(rows)
		if err != nil {
			return err
		}
		if !yield(x, nil) {
			return errStop
		}
	}
	return rows.Err()
}
