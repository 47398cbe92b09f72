package metar

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Parse decodes one report. received is about when it was: reports name the day of
// the month alone, which is taken as the last such day not more than a day after
// it.
//
// A text without station and time is no report and an error of one line. All else
// is decoded as far as it can be; what is not understood is in Unknown.
func Parse(line string, received time.Time) (Report, error) {
	r := NewReport()
	if len(line) > longestText {
		return r, fmt.Errorf("report of %d bytes; want one report of at most %d", len(line), longestText)
	}
	text := strings.TrimRight(strings.TrimSpace(line), "= ")
	words := strings.Fields(text)
	r.Raw = strings.Join(words, " ")
	fail := func(why string) (Report, error) {
		return NewReport(), fmt.Errorf("%q is no report: %s; want such as METAR KABC 121755Z 21016KT ...", clip(r.Raw), why)
	}
	i := 0
	for ; i < len(words); i++ {
		switch words[i] {
		case "METAR":
			continue
		case "SPECI":
			r.Special = true
			continue
		case "COR":
			r.Corrected = true
			continue
		}
		break
	}
	if i >= len(words) || !station.MatchString(words[i]) {
		return fail("no station")
	}
	r.Station = words[i]
	if i++; i < len(words) && words[i] == "NIL" { // a NIL need not have a time
		r.Nil = true
		return r, nil
	}
	if i >= len(words) || !clock.MatchString(words[i]) {
		return fail("no day and time after the station")
	}
	at, err := resolve(words[i], received)
	if err != nil {
		return fail(err.Error())
	}
	r.Time = at
	words = words[i+1:]
	if n := body(&r, words); n < len(words) {
		remarks(&r, words[n+1:])
	}
	if !math.IsNaN(r.SLPHPa) && !math.IsNaN(r.QNHHPa) {
		r.SLPSuspect = math.Abs(r.SLPHPa-r.QNHHPa) > farFromQNH
	}
	return r, nil
}

func clip(s string) string {
	const most = 60
	if len(s) > most {
		return strings.ToValidUTF8(s[:most], "") + "..."
	}
	return s
}

// resolve finds the month of a DDhhmmZ.
func resolve(s string, received time.Time) (time.Time, error) {
	day, _ := strconv.Atoi(s[:2])
	hour, _ := strconv.Atoi(s[2:4])
	minute, _ := strconv.Atoi(s[4:6])
	if day < 1 || day > 31 || hour > 23 || minute > 59 {
		return time.Time{}, fmt.Errorf("%s is not a day of the month, hour and minute", s)
	}
	latest := received.UTC().Add(24 * time.Hour)
	first := time.Date(latest.Year(), latest.Month(), 1, hour, minute, 0, 0, time.UTC)
	for back := range 3 { // no two months in a row are without a 31st, nor without a 29th
		t := first.AddDate(0, -back, 0).AddDate(0, 0, day-1)
		if t.Day() == day && !t.After(latest) {
			return t, nil
		}
	}
	return time.Time{}, errors.New("no month has had that day")
}

var (
	station = regexp.MustCompile(`^[A-Z][A-Z0-9]{3}$`)
	clock   = regexp.MustCompile(`^\d{6}Z$`)

	wind     = regexp.MustCompile(`^(\d{3}|VRB|///)(P?\d{2,3}|//)(?:G(P?\d{2,3}|//))?(KT|MPS|KMH)$`)
	varying  = regexp.MustCompile(`^(\d{3})V(\d{3})$`)
	miles    = regexp.MustCompile(`^([MP])?(\d{1,2}|\d{1,2}/\d{1,2})SM$`)
	metres   = regexp.MustCompile(`^(\d{4})(NDV)?$`)
	lowest   = regexp.MustCompile(`^(\d{4})(N|NE|E|SE|S|SW|W|NW)$`)
	rvr      = regexp.MustCompile(`^R\d{2}[LCR]?/`)
	phenom   = regexp.MustCompile(`^(\+|-)?(VC)?(MI|BC|PR|DR|BL|SH|TS|FZ)?((?:DZ|RA|SN|SG|IC|PL|GR|GS|UP|BR|FG|FU|VA|DU|SA|HZ|PY|PO|SQ|FC|SS|DS)*)$`)
	recent   = regexp.MustCompile(`^RE[A-Z]{2,}$`)
	cloud    = regexp.MustCompile(`^((FEW|SCT|BKN|OVC|VV|///)(\d{3}|///)(CB|TCU|///)?|SKC|CLR|NSC|NCD)$`)
	temps    = regexp.MustCompile(`^(M?\d{2}|//|XX)/(M?\d{2}|//|XX)?$`)
	pressure = regexp.MustCompile(`^([AQ])(\d{4}|////)$`)
)

// Compass points of the lowest visibility, degrees.
var points = map[string]float64{"N": 0, "NE": 45, "E": 90, "SE": 135, "S": 180, "SW": 225, "W": 270, "NW": 315}

// body decodes what stands before the remarks and returns the place of RMK, or the
// number of words. A trend is a forecast: it is passed over.
func body(r *Report, words []string) int {
	for i := 0; i < len(words); i++ {
		w := words[i]
		switch w {
		case "RMK":
			return i
		case "NOSIG", "BECMG", "TEMPO", "INTER":
			for i < len(words) && words[i] != "RMK" {
				i++
			}
			return i
		case "AUTO":
			r.Auto = true
		case "COR", "CCA", "CCB":
			r.Corrected = true
		case "NIL":
			r.Nil = true
		case "$":
			r.Maintenance = true
		case "CAVOK":
			r.Visibility.M, r.Visibility.AtLeast = 10000, true
		case "NSW", "//", "////":
		default:
			// A whole mile may stand apart from its fraction: 1 3/4SM.
			if i+1 < len(words) && len(w) <= 2 && digits(w) && strings.Contains(words[i+1], "/") && miles.MatchString(words[i+1]) {
				whole, _ := strconv.ParseFloat(w, 64)
				visibility(r, words[i+1])
				r.Visibility.M += whole * mPerMile
				i++
				continue
			}
			if !group(r, w) {
				r.Unknown = append(r.Unknown, w)
			}
		}
	}
	return len(words)
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// group decodes one group of the body and reports whether it knows it.
func group(r *Report, w string) bool {
	if m := wind.FindStringSubmatch(w); m != nil {
		blow(r, m)
		return true
	}
	if m := varying.FindStringSubmatch(w); m != nil {
		r.Wind.FromDeg, r.Wind.ToDeg = num(m[1]), num(m[2])
		return true
	}
	if visibility(r, w) {
		return true
	}
	if rvr.MatchString(w) {
		r.RVR = append(r.RVR, w)
		return true
	}
	if cloud.MatchString(w) {
		r.Clouds = append(r.Clouds, w)
		return true
	}
	if m := temps.FindStringSubmatch(w); m != nil {
		r.TempC, r.DewpointC = signed(m[1]), signed(m[2])
		return true
	}
	if m := pressure.FindStringSubmatch(w); m != nil {
		switch v := num(m[2]); {
		case m[1] == "A":
			r.QNHHPa = v / 100 * hPaPerInHg
		default:
			r.QNHHPa = v
		}
		return true
	}
	if p, ok := Present(w); ok {
		r.Weather = append(r.Weather, p)
		return true
	}
	return recent.MatchString(w) // of the hour past; the hour's other reports had it
}

// num reads digits; anything else is NaN.
func num(s string) float64 {
	if !digits(s) {
		return nan
	}
	v, _ := strconv.ParseFloat(s, 64)
	return v
}

// signed reads M02 as -2.
func signed(s string) float64 {
	if rest, ok := strings.CutPrefix(s, "M"); ok {
		return -num(rest)
	}
	return num(s)
}

func blow(r *Report, m []string) {
	unit := map[string]float64{"KT": mpsPerKnot, "MPS": 1, "KMH": mpsPerKMH}[m[4]]
	speed := func(s string) float64 {
		s, more := strings.CutPrefix(s, "P")
		r.Wind.AtLeast = r.Wind.AtLeast || more
		v := num(s)
		if more { // P99KT is 100 kt or more, P49MPS 50 m/s or more
			v++
		}
		return v * unit
	}
	r.Wind.MPS, r.Wind.GustMPS = speed(m[2]), speed(m[3])
	r.Wind.Variable = m[1] == "VRB"
	r.Wind.Calm = m[1] == "000" && r.Wind.MPS == 0
	if r.Wind.DirDeg = num(m[1]); r.Wind.Calm || r.Wind.DirDeg > 360 {
		r.Wind.DirDeg = nan
	}
}

func visibility(r *Report, w string) bool {
	if m := miles.FindStringSubmatch(w); m != nil {
		v := num(m[2])
		if a, b, ok := strings.Cut(m[2], "/"); ok {
			v = num(a) / num(b)
		}
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return false
		}
		r.Visibility.M, r.Visibility.LessThan, r.Visibility.AtLeast = v*mPerMile, m[1] == "M", m[1] == "P"
		return true
	}
	if m := lowest.FindStringSubmatch(w); m != nil {
		r.Visibility.LowestM, r.Visibility.LowestAtDeg = num(m[1]), points[m[2]]
		return true
	}
	m := metres.FindStringSubmatch(w)
	if m == nil {
		return false
	}
	if math.IsNaN(r.Visibility.M) {
		r.Visibility.M = num(m[1])
		if m[1] == "9999" {
			r.Visibility.M, r.Visibility.AtLeast = 10000, true
		}
		return true
	}
	r.Visibility.LowestM = num(m[1])
	return true
}

// Present decodes a group of present weather, such as +TSRA; ok is false if it is none.
func Present(w string) (Phenomenon, bool) {
	m := phenom.FindStringSubmatch(w)
	if m == nil || m[3] == "" && m[4] == "" {
		return Phenomenon{}, false
	}
	p := Phenomenon{Raw: w, Intensity: m[1], Vicinity: m[2] != "", Thunder: m[3] == "TS"}
	if m[3] == "BL" || m[3] == "DR" { // blown about, not falling
		return p, true
	}
	for i := 0; i+1 < len(m[4]); i += 2 {
		switch m[4][i : i+2] {
		case "DZ", "RA":
			p.Rain = true
		case "SN", "SG", "IC", "PL", "GR", "GS":
			p.Frozen = true
		case "UP":
			p.Unclear = true
		}
	}
	return p, true
}
