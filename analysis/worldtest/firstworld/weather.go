package firstworld

import (
	"math"
	"time"

	"holdfast/analysis/reception"
)

// air is the weather over the home at one instant.
type air struct {
	temp, dew, hPa, wind, gust, dir, rain, snow, cloud float64 // C, C, hPa, m/s, m/s, deg, mm/h, mm/h water, 0..1
	thunder                                            bool
}

const yearMS = 31556952000 // mean Gregorian year

// season returns the number of the year since 2000 and the day in it, 0 to 365.24.
// The calendar's own day differs by less than one.
func season(ms int64) (year int64, day float64) {
	x := ms - reception.EarliestMS
	year = x / yearMS
	if x < 0 {
		year--
	}
	return year, float64(x-year*yearMS) / float64(dayMS)
}

// swing is a yearly cosine that is 1 on the given day.
func swing(day, top float64) float64 { return math.Cos((day - top) / 365.2425 * 2 * math.Pi) }

// clock is the hour of the day in the home's standard time, 0 to 24.
func clock(ms int64) float64 { return float64((ms+zoneMS)%dayMS) / float64(hourMS) }

// localDay numbers the days of the home's standard time.
func localDay(ms int64) int64 { return (ms + zoneMS) / dayMS }

func localMS(day int64, hour float64) int64 { return day*dayMS - zoneMS + int64(hour*float64(hourMS)) }

func (w *World) pressure(ms int64) float64 {
	return 6.2*w.wave(sPressureSlow, ms, 108*hourMS) + 3.4*w.wave(sPressureFast, ms, 44*hourMS)
}

// storm returns what storms add to the mean wind at an instant, m/s: one in every
// other span of 16 days, more in winter, and the one that turned the antenna.
func (w *World) storm(ms int64, day float64) float64 {
	const span = 16 * dayMS
	add := bump(ms-w.faultMS, 8*hourMS) * 11
	for i := ms/span - 1; i <= ms/span+1; i++ {
		h := w.hash(sStorm, i)
		if unit(h) > 0.45+0.2*swing(day, 20) {
			continue
		}
		d := dice(h)
		centre := i*span + int64(d.uniform()*float64(span))
		half := int64((6 + 7*d.uniform()) * float64(hourMS))
		add = math.Max(add, bump(ms-centre, half)*(3.5+4*d.uniform()))
	}
	return add
}

// bump is 1 in the middle and 0 from half away.
func bump(off, half int64) float64 {
	x := float64(off) / float64(half)
	if x <= -1 || x >= 1 {
		return 0
	}
	return 0.5 + 0.5*math.Cos(math.Pi*x)
}

// spell is the part of the temperature that lasts for weeks, K.
func (w *World) spell(ms int64) float64 {
	return 1.2*w.wave(sTempSeason, ms, 40*dayMS) + 3.2*w.wave(sTempWeek, ms, 7*dayMS)
}

// weather returns the air over the home at an instant. Means and ranges are those
// of an inland place at 43 degrees north: 900 to 1,200 mm of rain and snow a year,
// January near -5 C, July near 21 C.
func (w *World) weather(ms int64) air {
	_, day := season(ms)
	hour := clock(ms)
	var a air

	amp := 1 + 0.3*swing(day, 20)
	p := w.pressure(ms)
	steep := math.Abs(w.pressure(ms+6*hourMS) - w.pressure(ms-6*hourMS))
	a.hPa = 1016.5 + amp*p

	wet := 0.75*w.wave(sRainLong, ms, 9*hourMS) + 0.5*w.wave(sRainShort, ms, 3*hourMS) - 0.085*p
	if e := wet - 1.5; e > 0 {
		a.rain = 0.2 + 0.6*e + 0.9*e*e
	}
	a.cloud = clamp01(0.45 + 0.45*wet)

	// Showers of summer afternoons.
	ld := localDay(ms)
	burst := 0.0
	if h := w.hash(sConvection, ld); unit(h) < 0.2*swing(day, 195)+0.01 {
		d := dice(h)
		from := 13.5 + 5*d.uniform()
		long := 0.8 + 1.4*d.uniform()
		if hour >= from && hour < from+long {
			a.rain += 2 + 10*d.uniform()*d.uniform()
			a.cloud, a.thunder, burst = 1, d.uniform() < 0.7, 7
		}
	}

	daily := math.Cos((hour - 15) / 24 * 2 * math.Pi)
	a.temp = 8 + 13*swing(day, 203) + w.spell(ms) + 2.6*w.wave(sTempDays, ms, 60*hourMS) + (1.5+4*(1-a.cloud))*daily
	if a.rain > 0 && a.temp < 0.6 {
		a.snow, a.rain = a.rain, 0
	}
	spread := 1.4 + (1-a.cloud)*(2.2+5*math.Max(0, daily))
	if a.rain+a.snow > 0 {
		spread = 0.7
	}
	a.dew = a.temp - spread

	calm := 2.5 + 0.5*swing(day, 20) + 1.1*w.wave(sWindLong, ms, 7*hourMS) + 0.7*w.wave(sWindShort, ms, 2*hourMS) + 0.9*daily
	a.wind = math.Max(0, calm+0.33*steep+w.storm(ms, day))
	a.gust = a.wind*(1.5+0.14*w.wave(sGust, ms, hourMS)) + 0.8 + burst
	a.dir = math.Mod(math.Mod(245+75*w.wave(sDirection, ms, 40*hourMS)+15*w.wave(sDirection+1, ms, 4*hourMS), 360)+360, 360)
	return a
}

// drying is what wet leaves lose, mm/h: 0.1 to 0.5 mm/h is what wet canopies
// evaporate (from memory), less by night.
func (a *air) drying(ms int64, day float64) float64 {
	sun := math.Max(0, math.Cos((clock(ms)-12)/24*2*math.Pi)+0.25*swing(day, 172)) * (1 - 0.75*a.cloud)
	if a.rain+a.snow > 0 {
		return 0.02
	}
	return 0.03 + 0.22*sun + 0.02*a.wind
}

// dewing is what clear calm nights put on leaves, mm/h.
func (a *air) dewing(ms int64) float64 {
	h := clock(ms)
	if h > 6 && h < 21 || a.wind > 3 || a.cloud > 0.45 || a.temp < 2 {
		return 0
	}
	return 0.09
}

// storeMM is what leaves hold, 0.5 to 2 mm (from memory).
const storeMM = 1.2

// A state is what acts on the paths at one full hour.
type state struct {
	air
	leaf float64 // 0 bare to 1 full
	wet  float64 // share of the leaf surface that is wet
	duct float64 // 0 none to 1 strong
}

// A view reads the world at instants near one another and keeps the day it last
// worked out. It must not be used concurrently.
type view struct {
	w     *World
	day   int64 // UTC day of hours, -1 for none
	hours [25]state
}

func newView(w *World) *view { return &view{w: w, day: -1} }

// load works out the hours of the UTC day that holds an instant. The store of the
// leaves starts empty three days before.
func (v *view) load(ms int64) {
	d := ms / dayMS
	if d == v.day {
		return
	}
	w := v.w
	v.day = d
	store := 0.0
	for h := int64(-72); h <= 24; h++ {
		at := d*dayMS + h*hourMS
		a := w.weather(at)
		_, day := season(at)
		store = math.Max(0, math.Min(storeMM, store+a.rain+a.dewing(at)-a.drying(at, day)))
		if h < 0 {
			continue
		}
		// A film thins out before it breaks up: two thirds, the exponent for
		// intercepted water of Deardorff, J. Geophys. Res. 83 (1978) 1889 (from memory).
		v.hours[h] = state{air: a, wet: math.Pow(store/storeMM, 2.0/3), duct: a.duct(at, day)}
	}
	l0, l1 := w.leaf(d*dayMS), w.leaf((d+1)*dayMS)
	for h := range v.hours {
		v.hours[h].leaf = l0 + (l1-l0)*float64(h)/24
	}
}

// at returns the state at an instant, between the full hours in proportion.
func (v *view) at(ms int64) state {
	v.load(ms)
	h := ms % dayMS / hourMS
	f := float64(ms%hourMS) / float64(hourMS)
	a, b := &v.hours[h], &v.hours[h+1]
	s := *a
	mid := func(x, y float64) float64 { return x + (y-x)*f }
	s.temp, s.wind, s.gust = mid(a.temp, b.temp), mid(a.wind, b.wind), mid(a.gust, b.gust)
	s.leaf, s.wet, s.duct = mid(a.leaf, b.leaf), mid(a.wet, b.wet), mid(a.duct, b.duct)
	return s
}

// duct is how far the air is layered: calm clear nights under high pressure, above
// all in late summer.
func (a *air) duct(ms int64, day float64) float64 {
	h := clock(ms)
	night := 0.0
	switch {
	case h >= 21:
		night = (h - 21) / 3
	case h < 7:
		night = 1
	case h < 10:
		night = (10 - h) / 3
	}
	warm := clamp01(0.35 + 0.65*swing(day, 225))
	return night * warm * clamp01((a.hPa-1017)/7) * clamp01((4-a.wind)/2.5) * (1 - a.cloud)
}

// stationKM is how far the weather station is.
const stationKM = 11

// Weather returns the hourly rows of a station 11 km away whose intervals end in
// (from, to]. Rows are missing now and then, gusts are absent unless they stand 10
// knots above the mean (the rule of WMO-No. 306 FM 15), wind comes in knots turned
// into m/s, rain in steps of 0.2 mm.
func (w *World) Weather(from, to time.Time) []reception.Weather {
	var out []reception.Weather
	for end := (from.UnixMilli()/hourMS + 1) * hourMS; end <= to.UnixMilli(); end += hourMS {
		if r, ok := w.stationRow(end); ok {
			out = append(out, r)
		}
	}
	return out
}

func (w *World) stationRow(end int64) (reception.Weather, bool) {
	d := dice(w.hash(sStation, end/hourMS))
	if d.uniform() < 0.004 {
		return reception.Weather{}, false
	}
	// Once in 70 days the station is silent for 4 to 30 hours.
	const span = 70 * dayMS
	g := dice(w.hash(sStationGap, end/span))
	start := end/span*span + int64(g.uniform()*float64(span-2*dayMS))
	if end > start && end <= start+int64((4+26*g.uniform())*float64(hourMS)) {
		return reception.Weather{}, false
	}

	// Weather comes from the west: the station has it up to half an hour sooner.
	shift := int64((20 + 10*d.gauss()) * float64(minuteMS))
	a := w.weather(end + shift)
	rain, snow, gust, thunder := 0.0, 0.0, 0.0, false
	for q := range int64(4) {
		b := w.weather(end - hourMS + shift + q*hourMS/4 + hourMS/8)
		rain, snow, gust, thunder = rain+b.rain/4, snow+b.snow/4, math.Max(gust, b.gust), thunder || b.thunder
	}
	local := math.Exp(0.3 * d.gauss())
	step := func(x, s float64) float64 { return math.Round(x/s) * s }
	tenth := func(x float64) float64 { return math.Round(x*10) / 10 }

	r := reception.NewWeather()
	r.Time, r.Source, r.DistanceKM = end, "hilltop", stationKM
	r.TempC = tenth(a.temp + 0.4*d.gauss() - 0.3)
	r.DewpointC = math.Min(r.TempC, tenth(a.dew+0.4*d.gauss()-0.3))
	r.PressureHPa = tenth(a.hPa + 0.15*d.gauss())
	const knot = 1852.0 / 3600
	mean := math.Max(0, a.wind*math.Exp(0.12*d.gauss())+0.3*d.gauss())
	knots := math.Round(mean / knot)
	r.WindMPS = tenth(knots * knot)
	if g := math.Round(gust * math.Exp(0.08*d.gauss()) / knot); g >= knots+10 {
		r.GustMPS = tenth(g * knot)
	}
	if knots > 0 {
		r.WindDirDeg = math.Mod(step(a.dir+8*d.gauss()+360, 10), 360)
	}
	r.RainMMPerHour, r.SnowMMPerHour = tenth(step(rain*local, 0.2)), tenth(step(snow*local, 0.2))
	switch {
	case r.RainMMPerHour+r.SnowMMPerHour > 0:
		r.Precipitation = reception.PrecipAmount
	case rain+snow > 0.03:
		r.Precipitation = reception.PrecipTrace
	default:
		r.Precipitation = reception.PrecipNone
	}
	r.Thunder = reception.No
	if thunder {
		r.Thunder = reception.Yes
	}
	// Single sensors fail for an hour.
	switch u := w.uniform(sStationHole, end/hourMS); {
	case u < 0.003:
		r.PressureHPa = math.NaN()
	case u < 0.006:
		r.RainMMPerHour, r.SnowMMPerHour, r.Precipitation = math.NaN(), math.NaN(), reception.PrecipUnknown
	case u < 0.008:
		r.WindMPS, r.GustMPS, r.WindDirDeg = math.NaN(), math.NaN(), math.NaN()
	}
	return r, true
}
