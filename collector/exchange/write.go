package exchange

import (
	"bufio"
	"io"
	"iter"
	"math"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/reception"
)

// A writer writes one form. Its first error stays; later calls do nothing.
type writer struct {
	w     *bufio.Writer
	b     []byte
	first bool
	err   error
}

func newWriter(w io.Writer, columns []string) *writer {
	o := &writer{w: bufio.NewWriterSize(w, 64<<10), first: true}
	for _, c := range columns {
		o.text(c)
	}
	o.end()
	return o
}

func (w *writer) sep() {
	if !w.first {
		w.b = append(w.b, ',')
	}
	w.first = false
}

func (w *writer) text(s string) {
	w.sep()
	if s == "" || !strings.ContainsAny(s, "\",\n\r") && !blank(s[0]) && !blank(s[len(s)-1]) {
		w.b = append(w.b, s...)
		return
	}
	w.b = append(w.b, '"')
	w.b = append(w.b, strings.ReplaceAll(s, `"`, `""`)...)
	w.b = append(w.b, '"')
}

// number writes the shortest decimals that read back as the same value.
func (w *writer) number(v float64) {
	w.sep()
	if !math.IsNaN(v) {
		w.b = strconv.AppendFloat(w.b, v, 'f', -1, 64)
	}
}

func (w *writer) count(v int64) {
	w.sep()
	if v != reception.NotCounted {
		w.b = strconv.AppendInt(w.b, v, 10)
	}
}

// seconds writes milliseconds as seconds.
func (w *writer) seconds(ms int64) {
	if ms == reception.NotCounted {
		w.sep()
		return
	}
	w.number(float64(ms) / 1000)
}

func (w *writer) flag(v bool) {
	w.sep()
	if v {
		w.b = append(w.b, '1')
	} else {
		w.b = append(w.b, '0')
	}
}

func (w *writer) empty() { w.sep() }

// instant writes Unix ms in UTC, with milliseconds where there are any.
func (w *writer) instant(ms int64) {
	w.sep()
	w.b = time.UnixMilli(ms).UTC().AppendFormat(w.b, time.RFC3339Nano)
}

// optional writes an instant, and nothing for 0.
func (w *writer) optional(ms int64) {
	if ms == 0 {
		w.sep()
		return
	}
	w.instant(ms)
}

func (w *writer) end() {
	w.b = append(w.b, '\n')
	if w.err == nil {
		_, w.err = w.w.Write(w.b)
	}
	w.b, w.first = w.b[:0], true
}

func (w *writer) close() error {
	if w.err != nil {
		return w.err
	}
	return w.w.Flush()
}

// WriteReadings writes readings as [ReadReadings] reads them, every column but
// channel and installation: the frequency says which channel, and installations
// have a form of their own. It ends at the first error, its own or the sequence's.
func WriteReadings(w io.Writer, chunks iter.Seq2[[]reception.Reading, error]) error {
	var columns []string
	for i, c := range readingsForm().columns {
		if i != rChannel && i != rInstallation {
			columns = append(columns, c)
		}
	}
	o := newWriter(w, columns)
	for chunk, err := range chunks {
		if err != nil {
			return err
		}
		for i := range chunk {
			o.reading(&chunk[i])
		}
		if o.err != nil {
			return o.err
		}
	}
	return o.close()
}

func (w *writer) reading(r *reception.Reading) {
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
		w.empty()
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
	w.end()
}

// WriteScales writes scales as [ReadScales] reads them.
func WriteScales(w io.Writer, scales []reception.Scale) error {
	o := newWriter(w, scalesForm().columns)
	for _, s := range scales {
		o.text(s.ID)
		o.text(string(s.Unit))
		o.number(s.Step)
		o.number(s.Ceiling)
		o.text(string(s.LevelKind))
		o.text(string(s.Quantity))
		o.text(s.Driver)
		o.end()
	}
	return o.close()
}

// WriteWeather writes weather as [ReadWeather] reads it. It ends at the first
// error, its own or the sequence's.
func WriteWeather(w io.Writer, rows iter.Seq2[reception.Weather, error]) error {
	o := newWriter(w, weatherForm().columns)
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
			o.empty()
		}
		o.optional(x.Known)
		o.end()
		if o.err != nil {
			return o.err
		}
	}
	return o.close()
}

// WriteInstallations writes installations as [ReadInstallations] reads them.
func WriteInstallations(w io.Writer, all []Installation) error {
	o := newWriter(w, installationsForm().columns)
	for _, in := range all {
		o.instant(in.Time)
		o.text(in.Tuner)
		o.text(in.Name)
		o.text(in.Note)
		o.end()
	}
	return o.close()
}
