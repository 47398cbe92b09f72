package intake

import (
	"context"
	"fmt"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
)

// A WeatherReport says what became of weather rows; indices are those of the rows
// given.
type WeatherReport struct {
	New, Duplicates int
	Bad             []Issue // rows not stored
	Discarded       []Issue // values not used, their rows stored without them
	Conflicts       []Issue
}

// Weather checks rows and stores them. Values that cannot be true are left out, rows
// without a place in time are not stored; both are listed by index. The rows given
// are not changed. An error means that nothing was stored.
func (in *Intake) Weather(ctx context.Context, rows []reception.Weather) (WeatherReport, error) {
	var rep WeatherReport
	var good []reception.Weather
	var index []int64
	for i, w := range rows {
		if err := w.Validate(); err != nil {
			rep.Bad = append(rep.Bad, Issue{int64(i), err.Error()})
			continue
		}
		for _, what := range w.Discard() {
			rep.Discarded = append(rep.Discarded, Issue{int64(i), what})
		}
		good, index = append(good, w), append(index, int64(i))
	}
	if len(good) == 0 {
		return rep, nil
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	done, err := in.log.Append(ctx, store.Batch{Weather: good})
	if err != nil {
		return WeatherReport{}, fmt.Errorf("store %d weather rows: %w", len(good), err)
	}
	rep.New, rep.Duplicates = done.New, done.Duplicates
	for _, c := range done.Conflicts {
		rep.Conflicts = append(rep.Conflicts, Issue{index[c.Index], c.String()})
	}
	return rep, nil
}
