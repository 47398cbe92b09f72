package exchange

import (
	"fmt"
	"io"
	"iter"
	"math"

	"holdfast/analysis/reception"
)

// A Format is one in which everything may be written. Only [CSV] is read back; the
// others are for other programs.
type Format string

// The formats. In all of them a value that is not available is left out: an empty
// field, no member, null.
const (
	CSV     Format = "csv"
	JSON    Format = "json"    // one array, an object a line, times as RFC 3339
	Parquet Format = "parquet" // Apache Parquet, times as timestamps in ms
)

// Formats returns all formats.
func Formats() []Format { return []Format{CSV, JSON, Parquet} }

// A sink writes the values of one format, row by row, in the order of the columns.
// Its first error stays; later calls do nothing.
type sink interface {
	none()
	text(string)
	number(float64) // finite
	count(int64)
	flag(bool)
	instant(ms int64)
	end() error
	close() error
}

// newSink opens a sink; what is no format is an error.
func newSink(format Format, w io.Writer, name string, columns []string) (sink, error) {
	switch format {
	case CSV:
		return newCSV(w, columns), nil
	case JSON:
		return newJSON(w, columns), nil
	case Parquet:
		return newParquet(w, name, columns), nil
	}
	return nil, fmt.Errorf("format %q is not known; want one of %v", format, Formats())
}

// A writer turns what is not available into no value.
type writer struct{ sink }

func (w writer) text(s string) {
	if s == "" {
		w.none()
		return
	}
	w.sink.text(s)
}

func (w writer) number(v float64) {
	if math.IsNaN(v) {
		w.none()
		return
	}
	w.sink.number(v)
}

func (w writer) count(v int64) {
	if v == reception.NotCounted {
		w.none()
		return
	}
	w.sink.count(v)
}

// seconds writes milliseconds as seconds.
func (w writer) seconds(ms int64) {
	if ms == reception.NotCounted {
		w.none()
		return
	}
	w.sink.number(float64(ms) / 1000)
}

// optional writes an instant, and nothing for 0.
func (w writer) optional(ms int64) {
	if ms == 0 {
		w.none()
		return
	}
	w.instant(ms)
}

// WriteReadings writes readings as [ReadReadings] reads them, every column but
// channel and installation: the frequency says which channel, and installations
// have a form of their own. It ends at the first error, its own or the sequence's.
func WriteReadings(w io.Writer, format Format, chunks iter.Seq2[[]reception.Reading, error]) error {
	var columns []string
	for i, c := range readingsForm().columns {
		if i != rChannel && i != rInstallation {
			columns = append(columns, c)
		}
	}
	k, err := newSink(format, w, "reading", columns)
	if err != nil {
		return err
	}
	o := writer{k}
	for chunk, err := range chunks {
		if err != nil {
			return err
		}
		for i := range chunk {
			if err := o.reading(&chunk[i]); err != nil {
				return err
			}
		}
	}
	return o.close()
}

func (w writer) reading(r *reception.Reading) error {
	w.instant(r.Time)
	w.text(r.Tuner)
	if r.TunedHz != 0 {
		w.count(r.TunedHz)
	} else {
		w.count(r.FrequencyHz)
	}
	w.text(string(r.Visit))
	w.seconds(r.DwellMS)
	if r.Valid() {
		w.flag(r.Locked)
	} else {
		w.none()
	}
	w.number(r.LevelDBm)
	w.number(r.CNDB)
	w.number(r.QualityPct)
	w.number(r.ErroredS)
	w.count(r.PreErrors)
	w.count(r.PreBits)
	w.count(r.UncorrectedBlocks)
	w.count(r.TotalBlocks)
	w.text(r.Identity)
	w.text(r.Mode)
	w.text(string(r.System))
	w.text(r.Layer)
	w.seconds(r.LockedMS)
	w.number(r.CNLowDB)
	w.number(r.CNSpreadDB)
	w.number(r.LevelPct)
	w.text(r.Scale)
	w.text(string(r.Why))
	w.optional(r.Known)
	return w.end()
}

// WriteScales writes scales as [ReadScales] reads them.
func WriteScales(w io.Writer, format Format, scales []reception.Scale) error {
	k, err := newSink(format, w, "scale", scalesForm().columns)
	if err != nil {
		return err
	}
	o := writer{k}
	for _, s := range scales {
		o.text(s.ID)
		o.text(string(s.Unit))
		o.number(s.Step)
		o.number(s.Ceiling)
		o.text(string(s.LevelKind))
		o.text(string(s.Quantity))
		o.text(s.Driver)
		if err := o.end(); err != nil {
			return err
		}
	}
	return o.close()
}

// WriteWeather writes weather as [ReadWeather] reads it. It ends at the first
// error, its own or the sequence's.
func WriteWeather(w io.Writer, format Format, rows iter.Seq2[reception.Weather, error]) error {
	k, err := newSink(format, w, "weather", weatherForm().columns)
	if err != nil {
		return err
	}
	o := writer{k}
	for x, err := range rows {
		if err != nil {
			return err
		}
		o.instant(x.Time)
		o.count(x.IntervalS)
		for _, v := range []float64{x.TempC, x.DewpointC, x.PressureHPa, x.WindMPS, x.GustMPS, x.WindDirDeg, x.RainMMPerHour, x.SnowMMPerHour} {
			o.number(v)
		}
		o.text(x.Source)
		o.number(x.DistanceKM)
		if x.Modelled {
			o.text(kindModelled)
		} else {
			o.text(kindObserved)
		}
		o.text(string(x.Precipitation))
		switch x.Thunder {
		case reception.Yes:
			o.flag(true)
		case reception.No:
			o.flag(false)
		default:
			o.none()
		}
		o.optional(x.Known)
		if err := o.end(); err != nil {
			return err
		}
	}
	return o.close()
}

// WriteInstallations writes installations as [ReadInstallations] reads them.
func WriteInstallations(w io.Writer, format Format, all []Installation) error {
	k, err := newSink(format, w, "installation", installationsForm().columns)
	if err != nil {
		return err
	}
	o := writer{k}
	for _, in := range all {
		o.instant(in.Time)
		o.text(in.Tuner)
		o.text(in.Name)
		o.text(in.Note)
		if err := o.end(); err != nil {
			return err
		}
	}
	return o.close()
}
