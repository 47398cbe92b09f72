package daemon

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"io"
	"iter"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"holdfast/analysis/reception"
	"holdfast/collector/exchange"
	"holdfast/collector/weather"
	"holdfast/collector/weather/ghcnh"
	"holdfast/collector/weather/isdlite"
)

// A weatherRows reads a file of weather once, whatever its form.
type weatherRows interface {
	Rows() iter.Seq2[exchange.WeatherRow, error]
	Warnings() []string
}

// station is how files of ISD-Lite are named: 725300-94846-2024, and more after it.
var station = regexp.MustCompile(`^(\d{6}-\d{5})-\d{4}`)

// weatherForm recognises the form of a file by how it begins: the archives ISD-Lite and
// GHCN-Hourly, compressed with gzip or not, else the CSV of weather imports. name is
// the file's.
func (h *Home) weatherForm(r io.Reader, name string) (weatherRows, error) {
	in := bufio.NewReaderSize(r, 64<<10)
	head, _ := in.Peek(512) // what keeps it from being read is said by the reader
	packed := false
	if len(head) > 2 && head[0] == 0x1f && head[1] == 0x8b {
		z, err := gzip.NewReader(in)
		if err != nil {
			return nil, fmt.Errorf("unpack: %w", err)
		}
		in, packed = bufio.NewReaderSize(z, 64<<10), true
		head, _ = in.Peek(512)
	}
	switch {
	case isdlite.Recognise(head):
		source := ""
		if m := station.FindStringSubmatch(filepath.Base(name)); m != nil {
			source = "isd-lite " + m[1]
		}
		return isdlite.NewReader(in, source), nil
	case ghcnh.Recognise(head):
		return ghcnh.NewReader(in, ghcnh.Options{Latitude: h.setup.home.Latitude, Longitude: h.setup.home.Longitude})
	case packed:
		return nil, fmt.Errorf("%s holds neither ISD-Lite nor GHCN-Hourly; unpack it if it is CSV", filepath.Base(name))
	}
	return exchange.ReadWeather(in, "")
}

// oddWeather gathers what looks odd in a whole file.
type oddWeather struct {
	bySource map[string][]reception.Weather // the first of each
	counts   map[string]int64               // of values that cannot be true, by name
	first    map[string]int64               // their first line
}

func (o *oddWeather) see(w *reception.Weather) {
	if o.bySource == nil {
		o.bySource = map[string][]reception.Weather{}
	}
	if rows := o.bySource[w.Source]; len(rows) < 10*recentWeather && len(o.bySource) < 100 {
		o.bySource[w.Source] = append(rows, *w)
	}
}

func (o *oddWeather) discarded(what string, line int64) {
	if o.counts == nil {
		o.counts, o.first = map[string]int64{}, map[string]int64{}
	}
	name, _, _ := strings.Cut(what, " ")
	if o.counts[name]++; o.counts[name] == 1 {
		o.first[name] = line
	}
}

func (o *oddWeather) lines() (out []string) {
	for _, name := range slices.Sorted(maps.Keys(o.counts)) {
		out = append(out, fmt.Sprintf("%s cannot be true in %d rows, first at line %d: not used", name, o.counts[name], o.first[name]))
	}
	for _, source := range slices.Sorted(maps.Keys(o.bySource)) {
		out = append(out, weather.Units(o.bySource[source], nil)...)
	}
	return out
}
