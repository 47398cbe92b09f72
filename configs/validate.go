package configs

import (
	"fmt"
	"math"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/address"
	"holdfast/configs/zones"
)

// finish fills in defaults and checks what the types alone do not say.
func (d *decoder) finish(c *Config) {
	if d.unread[""] {
		return
	}
	switch {
	case !d.has("version"):
		d.wrong("version", "is missing; write version: 1")
	case d.faulty("version"):
	case c.Version != 1:
		d.wrong("version", "%d is not known to this program; write version: 1", c.Version)
	}
	d.home(&c.Home)
	d.transmitters(c.Transmitters)
	d.channels(c)
	d.tuners(c)
	d.recordings(c)
	d.weather(c.Weather)
	d.wanted(&c.Wanted)
	d.store(&c.Store)
	d.web(&c.Web)
	d.tell(c)
}

// within reports a number outside its range; NaN is inside, and so is a value that
// is at fault already.
func (d *decoder) within(path string, v, lo, hi float64, unit string) {
	if v < lo || v > hi {
		d.wrong(path, "%g is outside the range; write %g to %g%s", v, lo, hi, unit)
	}
}

func (d *decoder) span(path string, v *time.Duration, byDefault, lo, hi time.Duration) {
	switch {
	case !d.has(path):
		*v = byDefault
	case d.faulty(path):
	case *v < lo:
		d.wrong(path, "%s is too short; write %s to %s", short(*v), short(lo), short(hi))
	case *v > hi:
		d.wrong(path, "%s is too long; write %s to %s", short(*v), short(lo), short(hi))
	case *v%time.Second != 0:
		d.wrong(path, "%s is no whole number of seconds; write one such as %s", short(*v), short(v.Round(time.Second)))
	}
}

// short writes a time span without its zeros: 5m, not 5m0s.
func short(v time.Duration) string {
	s := v.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// faulty reports whether a fault of exactly this key is known already.
func (d *decoder) faulty(path string) bool {
	return slices.ContainsFunc(d.faults, func(f Fault) bool { return f.Path == path })
}

func (d *decoder) missing(path, key, example string) bool {
	if d.has(path + "." + key) {
		return false
	}
	if d.unread[path] {
		return true
	}
	d.fault(d.at(path), strings.TrimPrefix(path, "."), "%s is missing; write %s", key, example)
	return true
}

// unique reports names that are taken; seen holds where each was first.
func (d *decoder) unique(seen map[string]int, name, path string) {
	if name == "" {
		return
	}
	if was, ok := seen[name]; ok {
		d.wrong(path, "%q is taken by line %d; write another", cut(name), was)
		return
	}
	seen[name] = d.at(path).Line
}

func (d *decoder) position(path string, lat, lon float64) {
	d.within(path+".latitude", lat, -90, 90, " degrees north")
	d.within(path+".longitude", lon, -180, 180, " degrees east")
	if a, b := d.has(path+".latitude"), d.has(path+".longitude"); a && !b {
		d.wrong(path+".latitude", "longitude is missing beside it; write both or neither")
	} else if b && !a {
		d.wrong(path+".longitude", "latitude is missing beside it; write both or neither")
	}
}

func (d *decoder) home(h *Home) {
	if !d.has("home") {
		d.wrong("home", "is missing; write home: with name: and time_zone: below it")
		*h = Home{Latitude: math.NaN(), Longitude: math.NaN(), GroundM: math.NaN()}
		return
	}
	d.missing("home", "name", "name: and what you call the place")
	if !d.missing("home", "time_zone", "one such as time_zone: America/New_York") && !d.faulty("home.time_zone") {
		if _, err := zones.Load(h.TimeZone); err != nil {
			d.wrong("home.time_zone", "%q is no time zone; write one such as America/New_York", cut(h.TimeZone))
		}
	}
	d.position("home", h.Latitude, h.Longitude)
	d.within("home.ground_m", h.GroundM, -450, 6000, " metres above the sea")
	for i := range h.Growth {
		p := fmt.Sprintf("home.growth[%d]", i)
		s := &h.Growth[i]
		d.missing(p, "from_deg", "from_deg: 0 to 360")
		d.missing(p, "to_deg", "to_deg: 0 to 360")
		d.missing(p, "growth", "growth: deciduous, evergreen, mixed, none or unknown")
		d.within(p+".from_deg", s.FromDeg, 0, 360, " degrees")
		d.within(p+".to_deg", s.ToDeg, 0, 360, " degrees")
	}
}

func (d *decoder) transmitters(ts []Transmitter) {
	seen := map[string]int{}
	for i := range ts {
		t, p := &ts[i], fmt.Sprintf("transmitters[%d]", i)
		d.missing(p, "name", "name: and what you call the mast")
		d.unique(seen, t.Name, p+".name")
		d.within(p+".azimuth_deg", t.AzimuthDeg, 0, 360, " degrees from north")
		d.within(p+".distance_km", t.DistanceKM, 0.1, 1000, " km")
		d.within(p+".height_m", t.HeightM, 0, 1000, " metres")
		d.position(p, t.Latitude, t.Longitude)
	}
}

func (d *decoder) channels(c *Config) {
	region := reception.Region(c.Home.Region)
	var masts []string
	for _, t := range c.Transmitters {
		masts = append(masts, t.Name)
	}
	type one struct {
		hz    int64
		layer string
	}
	seen := map[one]int{}
	for i := range c.Channels {
		ch, p := &c.Channels[i], fmt.Sprintf("channels[%d]", i)
		if !d.has(p + ".wanted") {
			ch.Wanted = true
		}
		d.frequency(ch, region, p)
		if k := (one{ch.FrequencyHz, ch.Layer}); ch.FrequencyHz != 0 {
			if was, ok := seen[k]; ok {
				d.wrong(p, "the same channel is on line %d; remove one, or give each its layer", was)
			} else {
				seen[k] = d.at(p).Line
			}
		}
		if ch.System == "" {
			if ch.System = string(region.DefaultSystem()); ch.System == "" && (region == "" || slices.Contains(reception.Regions(), region)) {
				d.missing(p, "system", "system: atsc1, atsc3, dvbt, dvbt2, isdbt or dtmb, or give home.region")
			}
		}
		d.within(p+".threshold_db", ch.ThresholdDB, 0, 40, " dB")
		if (ch.System == "dtmb" || ch.System == "atsc3") && !d.has(p+".threshold_db") {
			d.wrong(p, "threshold_db is missing: none is known for %s; write the C/N in dB at which your tuner fails", ch.System)
		}
		if ch.Transmitter != "" && !slices.Contains(masts, ch.Transmitter) {
			want := "add it to transmitters, or remove the key"
			if m := closest(ch.Transmitter, lower(masts)); m != "" {
				want = "write " + masts[slices.Index(lower(masts), m)]
			}
			d.wrong(p+".transmitter", "%q is not among the transmitters; %s", cut(ch.Transmitter), want)
		}
	}
}

func lower(of []string) []string {
	out := make([]string, len(of))
	for i, s := range of {
		out[i] = strings.ToLower(s)
	}
	return out
}

func (d *decoder) frequency(ch *Channel, region reception.Region, p string) {
	byRF, byMHz := d.has(p+".rf"), d.has(p+".frequency_mhz")
	d.within(p+".bandwidth_mhz", ch.BandwidthMHz, 1.5, 10, " MHz")
	if !math.IsNaN(ch.BandwidthMHz) {
		ch.BandwidthHz = int64(math.Round(ch.BandwidthMHz * 1e6))
	}
	switch {
	case byRF && byMHz:
		d.wrong(p+".frequency_mhz", "rf is there too; keep one of the two")
	case byRF && d.faulty(p+".rf"):
	case byRF && region == "":
		d.wrong(p+".rf", "a number means nothing without home.region; write that, or frequency_mhz here")
	case byRF:
		hz, bw, err := region.CentreHz(ch.RF)
		if err != nil {
			if slices.Contains(reception.Regions(), region) {
				d.wrong(p+".rf", "RF %d is not in the raster of region %s; write %s", ch.RF, region, rasterWords(region))
			}
			return
		}
		ch.FrequencyHz = hz
		if ch.BandwidthHz == 0 {
			ch.BandwidthHz = bw
		}
	case byMHz && d.faulty(p+".frequency_mhz"):
	case byMHz:
		if !(ch.FrequencyMHz >= 40 && ch.FrequencyMHz <= 900) {
			d.wrong(p+".frequency_mhz", "%g is outside the range; write 40 to 900 MHz, the middle of the channel", ch.FrequencyMHz)
			return
		}
		ch.FrequencyHz, ch.RF = region.Key(int64(math.Round(ch.FrequencyMHz * 1e6)))
		if ch.BandwidthHz != 0 {
			return
		}
		if _, bw, err := region.CentreHz(ch.RF); err == nil {
			ch.BandwidthHz = bw
		} else {
			d.missing(p, "bandwidth_mhz", "one such as bandwidth_mhz: 8: the frequency is not in the region's raster")
		}
	case !d.unread[p]:
		d.wrong(p, "rf is missing; write the RF number, or frequency_mhz")
	}
}

// rasterWords lists the RF numbers of a region as runs.
func rasterWords(r reception.Region) string {
	n := r.RFNumbers()
	var runs []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		runs = append(runs, fmt.Sprintf("%d to %d", n[i], n[j]))
		i = j + 1
	}
	return either(runs)
}

func (d *decoder) tuners(c *Config) {
	rfs := map[int]bool{}
	for _, ch := range c.Channels {
		if ch.RF != 0 {
			rfs[ch.RF] = true
		}
	}
	seen, devices, tuned := map[string]int{}, map[string]int{}, map[string]int{}
	for i := range c.Tuners {
		t, p := &c.Tuners[i], fmt.Sprintf("tuners[%d]", i)
		d.missing(p, "name", "name: and what you call the tuner")
		d.unique(seen, t.Name, p+".name")
		if len(t.Name) > 40 {
			d.wrong(p+".name", "is longer than 40 bytes; shorten it")
		}
		known := !d.missing(p, "kind", "kind: dvb, httpjson, command, simulated or replay") && !d.faulty(p+".kind")
		if known {
			d.others(*t, t.Kind, p)
		}
		d.span(p+".every", &t.Every, 5*time.Minute, time.Second, 24*time.Hour)
		d.span(p+".dwell", &t.Dwell, 5*time.Second, time.Second, time.Hour)
		d.visited(t, c.Channels, rfs, p)
		switch t.Kind {
		case "dvb":
			d.dvb(t, p, devices)
		case "httpjson":
			d.httpjson(t, p, tuned)
		case "command":
			d.command(t, p)
		case "simulated":
			if !d.has(p + ".seed") {
				t.Seed = 1
			}
			d.within(p+".seed", float64(t.Seed), 0, math.MaxInt32, "")
		case "replay":
			if !d.missing(p, "file", "file: and a CSV file of readings") {
				t.File = d.resolve(t.File)
			}
			if !d.has(p + ".speed") {
				t.Speed = 1
			}
			d.within(p+".speed", t.Speed, 0.01, 1e6, " times as fast as it was recorded")
		}
	}
}

// visited checks which channels a tuner visits.
func (d *decoder) visited(t *Tuner, chs []Channel, rfs map[int]bool, p string) {
	if !d.has(p + ".channels") {
		t.Channels.All = true
	}
	if t.Channels.All && len(chs) == 0 && !d.has("channels") {
		d.fault(d.at(p+".channels"), p, "there is no channel to visit; add channels")
	}
	for j, rf := range t.Channels.Numbers {
		q := fmt.Sprintf("%s.channels[%d]", p, j)
		if rfs[rf] || d.faulty(q) {
			continue
		}
		d.wrong(q, "RF %d is not among the channels; add it there, or remove it here", rf)
	}
}

// others reports keys that only another kind would read.
func (d *decoder) others(of any, kind, p string) {
	for _, k := range onlyKeys(of) {
		if !slices.Contains(k.kinds, kind) {
			for _, name := range k.names {
				if d.has(p + "." + name) {
					d.wrong(p+"."+name, "does nothing for kind %s, it is for %s; remove it", kind, either(k.kinds))
				}
			}
		}
	}
}

var (
	// location is a location indicator of an aerodrome (WMO-No. 306, FM 15).
	location = regexp.MustCompile(`^[A-Z0-9]{4}$`)
	// observer is a station of the US weather service.
	observer = regexp.MustCompile(`^[A-Z0-9]{3,10}$`)
)

func (d *decoder) weather(ws []Weather) {
	seen := map[string]int{}
	for i := range ws {
		w, p := &ws[i], fmt.Sprintf("weather[%d]", i)
		if !d.missing(p, "kind", "kind: csv, metar, usobs, open-meteo or json") && !d.faulty(p+".kind") {
			d.others(*w, w.Kind, p)
		}
		if !d.has(p + ".name") {
			w.Name = w.Kind // kinds are few: a second one needs a name
			if was, ok := seen[w.Name]; ok && w.Name != "" {
				d.wrong(p, "name is missing: %s is taken by line %d; write name: and another", w.Name, was)
			} else {
				seen[w.Name] = d.at(p).Line
			}
		} else {
			d.unique(seen, w.Name, p+".name")
		}
		every := 15 * time.Minute
		if w.Kind == "open-meteo" { // a model's run is hours apart
			every = time.Hour
		}
		d.span(p+".every", &w.Every, every, time.Minute, 24*time.Hour)
		d.within(p+".distance_km", w.DistanceKM, 0, 500, " km from the home")
		w.Station = strings.ToUpper(w.Station)
		switch {
		case w.Station == "":
		case w.Kind == "metar" && !location.MatchString(w.Station):
			d.wrong(p+".station", "%q is no location indicator; write its four letters, as they begin each report", cut(w.Station))
		case w.Kind == "usobs" && !observer.MatchString(w.Station):
			d.wrong(p+".station", "%q is no station; write it as it stands in the url, such as KABC", cut(w.Station))
		}
		hasURL := d.has(p+".url") || d.has(p+".url_file")
		switch {
		case d.has(p+".file") && hasURL && w.Kind != "csv":
			d.wrong(p+".file", "url is there too; keep one of the two")
		case d.has(p + ".file"):
			w.File = d.resolve(w.File)
		case w.Kind == "csv":
			d.missing(p, "file", "file: and a CSV file of weather")
		case slices.Contains(addressed, w.Kind) && !hasURL:
			d.missing(p, "url", "url: and its address, or file: and a copy of what it sends")
		}
		d.address(w, p)
		if w.Kind == "json" && !d.missing(p, "mapping", "mapping: and a jq expression such as {temp_c: .air}") {
			d.expression(w.Mapping, p+".mapping", "{temp_c: .air}")
		}
	}
}

// addressed are the kinds of weather that an address may send.
var addressed = []string{"metar", "usobs", "open-meteo", "json"}

// address checks a URL without ever showing it.
func (d *decoder) address(w *Weather, p string) {
	if !w.URL.Set() || !slices.Contains(addressed, w.Kind) {
		return
	}
	q := p + ".url"
	if d.has(p + ".url_file") {
		q += "_file"
	}
	u, err := url.Parse(w.URL.Reveal())
	switch {
	case err != nil || u.Host == "":
		d.wrong(q, "is no address; write one such as https://weather.example/report.txt")
	case u.Scheme != "http" && u.Scheme != "https":
		d.wrong(q, "is no web address; begin it with https:// or http://")
	}
}

func (d *decoder) wanted(w *Wanted) {
	def := reception.DefaultWanted()
	if !d.has("wanted") {
		w.DropoutsPerMonth = def.DropoutsPerMonth
	}
	share := func(path string, v *Share, byDefault float64) {
		switch {
		case !d.has(path):
			*v = Share(byDefault)
		case d.faulty(path):
		case *v < 0.5 || *v > 0.99999:
			d.wrong(path, "%s %% cannot be asked for; write 50 %% to 99.999 %%", strconv.FormatFloat(math.Round(float64(*v)*1e7)/1e5, 'f', -1, 64))
		}
	}
	share("wanted.availability", &w.Availability, def.Availability)
	share("wanted.availability_viewing", &w.AvailabilityViewing, def.AvailabilityViewing)
	const hours = "wanted.viewing_hours"
	switch h := &w.ViewingHours; {
	case !d.has(hours):
		*h = Hours{time.Duration(def.ViewingFromHour) * time.Hour, time.Duration(def.ViewingToHour) * time.Hour}
	case d.faulty(hours):
	case h.From%time.Hour != 0 || h.To%time.Hour != 0:
		d.wrong(hours, "%v are no whole hours; write them such as 18:00-23:00", *h)
	case h.To < h.From:
		d.wrong(hours, "%v spans midnight; end it at 24:00", *h)
	}
	d.within("wanted.dropouts_per_month", w.DropoutsPerMonth, 0, 1000, " spells of dropouts a month")
}

func (d *decoder) store(s *Store) {
	if d.has("store.data") {
		s.Data = d.resolve(s.Data)
	}
	d.span("store.commit_every", &s.CommitEvery, 0, time.Second, 10*time.Minute)
}

// minSecret is the length of the shortest secret that signs messages, bytes.
const minSecret = 16

func (d *decoder) tell(c *Config) {
	const quiet = "alarms.quiet_hours"
	if h := c.Alarms.QuietHours; d.has(quiet) && !d.faulty(quiet) && h.From == 0 && h.To == 24*time.Hour {
		d.wrong(quiet, "hold every message back for ever; write hours such as 22:00-07:00")
	}
	if !d.has("tell") {
		c.Tell = []Tell{{Name: "log", Kind: "log"}}
		return
	}
	seen := map[string]int{}
	for i := range c.Tell {
		t, p := &c.Tell[i], fmt.Sprintf("tell[%d]", i)
		if !d.missing(p, "kind", "kind: log or webhook") && !d.faulty(p+".kind") {
			d.others(*t, t.Kind, p)
		}
		if !d.has(p + ".name") {
			t.Name = t.Kind
			if was, ok := seen[t.Name]; ok && t.Name != "" {
				d.wrong(p, "name is missing: %s is taken by line %d; write name: and another", t.Name, was)
			} else {
				seen[t.Name] = d.at(p).Line
			}
		} else {
			d.unique(seen, t.Name, p+".name")
		}
		if t.Kind == "webhook" {
			d.webhook(*t, p)
		}
	}
}

// webhook checks address and secret without ever showing them.
func (d *decoder) webhook(t Tell, p string) {
	if !d.has(p+".url") && !d.has(p+".url_file") {
		d.missing(p, "url", "url: and the address to post to")
	} else if t.URL.Set() {
		q := d.asWritten(p + ".url")
		u, err := url.Parse(t.URL.Reveal())
		switch {
		case err != nil || u.Hostname() == "":
			d.wrong(q, "is no address; write one such as https://bell.example/alarm")
		case u.Scheme != "http" && u.Scheme != "https":
			d.wrong(q, "is no web address; begin it with https:// or http://")
		case u.User != nil:
			d.wrong(q, "has a user in it; messages are signed with secret instead: remove the part before @")
		case u.Fragment != "":
			d.wrong(q, "has a # in it, and what follows is never sent; remove it")
		case !reachable(u.Hostname()):
			d.wrong(q, "is an address that nothing of a home has; write that of the receiver")
		case u.Scheme == "http" && !loopback(u.Hostname()):
			d.warn(d.at(q), q, "is not encrypted: whoever is on the way reads the alarms; https:// if the receiver can")
		}
	}
	if !d.has(p+".secret") && !d.has(p+".secret_file") {
		d.missing(p, "secret", "secret: ${env:NAME}, or secret_file:; the receiver knows holdfast by it")
	} else if n := len(t.Secret.Reveal()); t.Secret.Set() && n < minSecret {
		d.wrong(d.asWritten(p+".secret"), "is shorter than %d characters; write a longer one", minSecret)
	}
}

// reachable reports whether a host, where it is an address, is one that a config may
// reach.
func reachable(host string) bool {
	a, err := netip.ParseAddr(host)
	return err != nil || address.Reachable(a) == nil
}

// asWritten is the path of a secret as the file gives it.
func (d *decoder) asWritten(path string) string {
	if d.has(path + "_file") {
		return path + "_file"
	}
	return path
}
