package drivers

import (
	"math"
	"time"
)

// Spring by thermal time: degree-days above 0 C from 19 February (day 50; in the
// south half a year later) open the buds at 200 and unfold the leaves with 300 more.
// Form as in the open package phenor (TT); 300 from the medfate package's
// documentation, 0, 50 and 200 from memory. From another climate such sums are a
// month wrong, so the result is an expectation, not a date.
const (
	springDay  = 50
	budsOpenDD = 200.0
	unfoldDD   = 300.0
)

// Autumn after Delpierre et al., Agricultural and Forest Meteorology 149 (2009)
// 938-948, parameters for all deciduous species as quoted in public code: after
// midsummer, on days shorter than 14.5 h, (28.5 - T)^2 (L/14.5)^2 is added up; the
// leaves have coloured when the sum reaches 8268. Half of them have fallen then, the
// rest within a fortnight on either side (three to five weeks in all are common
// practice, no published source).
//
// The parameters are of one country: in a climate 5 C colder the date comes six weeks
// early. A place's mean date does as well as any autumn model (Geoscientific Model
// Development 18, 6963 (2025)); by latitude it is put at 12 November at 40.7 degrees,
// 1.5 days earlier a degree (ours, no published source), and the sum may move it by a
// fortnight.
const (
	photoperiodH   = 14.5
	coldBelowC     = 28.5
	colouredSum    = 8268.0
	fallHalfDays   = 14
	meanFallDay    = 316 // day of the year at meanFallAtDeg
	meanFallAtDeg  = 40.7
	fallDaysPerDeg = -1.5
	fallMovesDays  = 14
)

// minHoursADay is how many hours with temperature make a day's mean: fewer would
// lean to the day or to the night.
const minHoursADay = 18

// seasonlessBelowDeg: nearer to the equator trees follow rain, not warmth (common
// practice, no published source).
const seasonlessBelowDeg = 25

// A Leaf is the state of the deciduous leaves around a home, day by day. What it says
// does not change, and many may ask at once, while nobody calls Cover.
type Leaf struct {
	latitude  float64
	needs     string
	firstSeen int64
	temps     []float64    // daily means by date from firstSeen on; NaN where there is none
	usual     [367]float64 // expected daily mean by day of the year
	firstYear int64
	seasons   []*season // by year from firstYear on, see Cover
}

// NewLeaf returns the leaf clock of a place, degrees north, from the temperatures
// that the sky holds before an hour. Days without temperature, and days to come,
// take the usual year: the mean of what was seen within a week of the date in any
// year, else a curve by latitude shifted to what was seen.
func NewLeaf(latitude float64, days Days, sky *Sky, before int64) *Leaf {
	l := &Leaf{latitude: latitude}
	switch {
	case math.IsNaN(latitude):
		l.needs = "the home's latitude in the configuration"
	case math.Abs(latitude) < seasonlessBelowDeg:
		l.needs = "a place with a leaf season: this one lies too near to the equator"
	}
	from, to := sky.Span()
	to = min(to, before)
	for h := from; h < to; {
		date, sum, n := days.DateOf(h), 0.0, 0
		for ; h < to && days.DateOf(h) == date; h++ {
			if t := sky.At(h).TempC; !math.IsNaN(t) {
				sum, n = sum+t, n+1
			}
		}
		if n < minHoursADay {
			continue
		}
		if len(l.temps) == 0 {
			l.firstSeen = date
		}
		for l.firstSeen+int64(len(l.temps)) < date {
			l.temps = append(l.temps, math.NaN())
		}
		l.temps = append(l.temps, sum/float64(n))
	}
	if l.needs == "" {
		l.learnUsual()
	}
	return l
}

// Needs says why there is no leaf season here; "" where there is one.
func (l *Leaf) Needs() string { return l.needs }

// State returns the leaf state, 0 bare to 1 full, at the midnight that ends a date
// (the middle of the noon-to-noon day of that name), and whether that date's
// temperature is an expectation. NaN where there is no leaf season.
//
// Against dates seen at a place thermal time is off by some 14 days (root mean
// square, continent-wide; Arboriculture & Urban Forestry 45(5)).
func (l *Leaf) State(day int64) (state float64, expected bool) {
	if l.needs != "" {
		return math.NaN(), true
	}
	year := yearOf(day)
	for y := year - 1; y <= year; y++ {
		state = max(state, l.season(y).at(day))
	}
	return state, math.IsNaN(l.Temp(day))
}

// Temp returns the mean temperature seen on a date, C; NaN if it was not.
func (l *Leaf) Temp(day int64) float64 {
	if i := day - l.firstSeen; i >= 0 && i < int64(len(l.temps)) {
		return l.temps[i]
	}
	return math.NaN()
}

// temp returns a date's mean temperature, seen or usual.
func (l *Leaf) temp(day int64) float64 {
	if t := l.Temp(day); !math.IsNaN(t) {
		return t
	}
	return l.usual[yearDay(day)]
}

func yearDay(day int64) int { return time.Unix(day*86400, 0).UTC().YearDay() }

// learnUsual fills the usual year. Fewer than three seen days within a week of a date
// leave the curve by latitude.
func (l *Leaf) learnUsual() {
	var sum, n [367]float64
	var shift, total float64
	for i, t := range l.temps {
		if day := l.firstSeen + int64(i); !math.IsNaN(t) {
			d := yearDay(day)
			sum[d], n[d] = sum[d]+t, n[d]+1
			shift, total = shift+t-curve(d, l.latitude), total+1
		}
	}
	if total >= 30 {
		shift /= total
	} else {
		shift = 0
	}
	for d := 1; d <= 366; d++ {
		var s, k float64
		for o := -7; o <= 7; o++ {
			e := (d-1+o+366)%366 + 1
			s, k = s+sum[e], k+n[e]
		}
		l.usual[d] = curve(d, l.latitude) + shift
		if k >= 3 {
			l.usual[d] = s / k
		}
	}
}

// curve is the daily mean temperature by day of the year where nothing was measured:
// a yearly cosine, coldest on 20 January (in the south half a year later), its mean
// falling by 0.35 C a degree of latitude from New York's 12.8 C at 40.7 degrees,
// with an amplitude of 11 C. It is our rough middle between sea and inland climates
// (no published source) and misses leaf-out by some three weeks.
func curve(dayOfYear int, latitude float64) float64 {
	coldest := 20.0
	if latitude < 0 {
		coldest += 182.5
	}
	mean := 12.8 - 0.35*(math.Abs(latitude)-40.7)
	return mean - 11*math.Cos(2*math.Pi*(float64(dayOfYear)-coldest)/365.25)
}

// A season is one year's leaves, from first warmth to the fall, which may lie in the
// next calendar year.
type season struct {
	first int64
	state []float64 // by date from first
}

func (s *season) at(day int64) float64 {
	if i := day - s.first; i >= 0 && i < int64(len(s.state)) {
		return s.state[i]
	}
	return 0
}

// Cover works out the seasons of the dates from..to, to included, so that State need
// not do so each time it is asked about one of them.
func (l *Leaf) Cover(from, to int64) {
	if l.needs != "" {
		return
	}
	first, last := yearOf(from)-1, yearOf(to)
	if len(l.seasons) > 0 {
		first, last = min(first, l.firstYear), max(last, l.firstYear+int64(len(l.seasons))-1)
	}
	seasons := make([]*season, 0, last-first+1)
	for y := first; y <= last; y++ {
		seasons = append(seasons, l.season(y))
	}
	l.firstYear, l.seasons = first, seasons
}

func yearOf(day int64) int64 { return int64(time.Unix(day*86400, 0).UTC().Year()) }

// season returns the season that begins in a calendar year.
func (l *Leaf) season(year int64) *season {
	if i := year - l.firstYear; i >= 0 && i < int64(len(l.seasons)) {
		return l.seasons[i]
	}
	return l.makeSeason(year)
}

func (l *Leaf) makeSeason(year int64) *season {
	start := time.Date(int(year), 1, 1, 0, 0, 0, 0, time.UTC).Unix()/86400 + springDay - 1
	if l.latitude < 0 {
		start += 183
	}
	s := &season{first: start}
	fall := l.fall(start)
	var warmth float64
	for day := start; day < fall+fallHalfDays; day++ {
		warmth += max(0, l.temp(day))
		spring := clamp01((warmth - budsOpenDD) / unfoldDD)
		autumn := clamp01(0.5 - float64(day-fall)/(2*fallHalfDays))
		s.state = append(s.state, spring*autumn)
	}
	return s
}

// fall returns the date on which half of the leaves of a season have fallen.
func (l *Leaf) fall(start int64) int64 {
	mean := start - springDay + meanFallDay + int64(math.Round(fallDaysPerDeg*(math.Abs(l.latitude)-meanFallAtDeg)))
	cold := 0.0
	for day := start + 123; day < mean+fallMovesDays; day++ { // from the day after midsummer
		t := l.temp(day)
		if length := DayLength(yearDay(day), l.latitude); length < photoperiodH && t < coldBelowC {
			cold += math.Pow(coldBelowC-t, 2) * math.Pow(length/photoperiodH, 2)
		}
		if cold >= colouredSum {
			return max(day, mean-fallMovesDays)
		}
	}
	return mean + fallMovesDays
}

func clamp01(x float64) float64 { return min(1, max(0, x)) }
