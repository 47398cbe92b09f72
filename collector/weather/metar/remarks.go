package metar

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

var (
	peakWind  = regexp.MustCompile(`^(\d{3})(\d{2,3})/(\d{2})?(\d{2})$`)
	hourMin   = regexp.MustCompile(`^(\d{2})?(\d{2})$`)
	slp       = regexp.MustCompile(`^SLP(\d{3})$`)
	tenths    = regexp.MustCompile(`^T([01])(\d{3})(?:([01])(\d{3}))?$`)
	hourly    = regexp.MustCompile(`^P(\d{4}|////)$`)
	sixOrSo   = regexp.MustCompile(`^6(\d{4}|////)$`)
	dayAmount = regexp.MustCompile(`^7(\d{4}|////)$`)
	snowDepth = regexp.MustCompile(`^4/(\d{3})$`)
	snowWater = regexp.MustCompile(`^933(\d{3})$`)
	extreme6  = regexp.MustCompile(`^([12])([01])(\d{3})$`)
	extreme24 = regexp.MustCompile(`^4([01])(\d{3})([01])(\d{3})$`)
	tendency  = regexp.MustCompile(`^5([0-8])(\d{3})$`)
	// Beginnings and ends of weather, FMH-1 12.7.1.i and j: RAB05E30SNB20E55.
	events = regexp.MustCompile(`^(?:[-+]?(?:MI|BC|PR|DR|BL|SH|TS|FZ)?(?:DZ|RA|SN|SG|IC|PL|GR|GS|UP|TS)?(?:[BE](?:\d{4}|\d{2}))+)+$`)
	event  = regexp.MustCompile(`([A-Z]*?)([BE])(\d{4}|\d{2})`)
)

// remarks decodes what follows RMK, after FMH-1 12.7.
func remarks(r *Report, words []string) {
	for i := 0; i < len(words); i++ {
		w := words[i]
		next := func(n int) string {
			if i+n < len(words) {
				return words[i+n]
			}
			return ""
		}
		switch w {
		case "AO1", "AO2", "A01", "A02": // the digit zero is a common slip
			r.StationType = "AO" + w[2:]
			continue
		case "TSNO":
			r.NoThunder = true
			continue
		case "PNO":
			r.NoGauge = true
			continue
		case "FZRANO":
			r.NoFreezingRain = true
			continue
		case "$":
			r.Maintenance = true
			continue
		case "SLPNO":
			continue
		case "PK":
			if m := peakWind.FindStringSubmatch(next(2)); next(1) == "WND" && m != nil {
				r.Peak = Peak{DirDeg: num(m[1]), MPS: num(m[2]) * mpsPerKnot, Time: before(r.Time, m[3], m[4])}
				i += 2
				continue
			}
		case "WSHFT":
			if m := hourMin.FindStringSubmatch(next(1)); m != nil {
				r.WindShift = before(r.Time, m[1], m[2])
				i++
				continue
			}
		}
		if !additive(r, w) && !began(r, w) {
			r.Unknown = append(r.Unknown, w)
		}
	}
}

// before finds the last instant not after at that has the minute and, if given,
// the hour.
func before(at time.Time, hour, minute string) time.Time {
	m, _ := strconv.Atoi(minute)
	if m > 59 {
		return time.Time{}
	}
	if hour == "" {
		t := at.Truncate(time.Hour).Add(time.Duration(m) * time.Minute)
		if t.After(at) {
			t = t.Add(-time.Hour)
		}
		return t
	}
	h, _ := strconv.Atoi(hour)
	if h > 23 {
		return time.Time{}
	}
	t := at.Truncate(24 * time.Hour).Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute)
	if t.After(at) {
		t = t.Add(-24 * time.Hour)
	}
	return t
}

// additive decodes the groups of figures (FMH-1 12.7.2).
func additive(r *Report, w string) bool {
	if m := slp.FindStringSubmatch(w); m != nil {
		r.SLPHPa = seaLevel(num(m[1]), r.QNHHPa)
		return true
	}
	if m := tenths.FindStringSubmatch(w); m != nil {
		r.TempC = signTenths(m[1], m[2])
		if m[3] != "" {
			r.DewpointC = signTenths(m[3], m[4])
		}
		return true
	}
	if m := hourly.FindStringSubmatch(w); m != nil {
		r.Hour = inches(m[1])
		return true
	}
	if m := sixOrSo.FindStringSubmatch(w); m != nil {
		r.Hours3or6 = inches(m[1])
		switch r.Time.Add(30*time.Minute).Hour() % 6 {
		case 0:
			r.PeriodH = 6
		case 3:
			r.PeriodH = 3
		}
		return true
	}
	if m := dayAmount.FindStringSubmatch(w); m != nil {
		r.Hours24 = inches(m[1])
		return true
	}
	if m := snowDepth.FindStringSubmatch(w); m != nil {
		r.SnowDepthM = num(m[1]) * mmPerInch / 1000
		return true
	}
	if m := snowWater.FindStringSubmatch(w); m != nil {
		r.SnowWaterMM = num(m[1]) / 10 * mmPerInch
		return true
	}
	if m := extreme24.FindStringSubmatch(w); m != nil {
		r.Max24C, r.Min24C = signTenths(m[1], m[2]), signTenths(m[3], m[4])
		return true
	}
	if m := extreme6.FindStringSubmatch(w); m != nil {
		if v := signTenths(m[2], m[3]); m[1] == "1" {
			r.Max6C = v
		} else {
			r.Min6C = v
		}
		return true
	}
	if m := tendency.FindStringSubmatch(w); m != nil {
		v := num(m[2]) / 10
		if m[1] >= "5" { // codes 5 to 8: lower than three hours ago
			v = -v
		}
		r.Tendency3HPa = v
		return true
	}
	return false
}

// seaLevel undoes the code SLPppp: tenths of hPa without the leading 9 or 10. The
// one nearer to QNH is meant, or without QNH to 1000 hPa.
func seaLevel(ppp, qnh float64) float64 {
	if math.IsNaN(qnh) {
		qnh = 1000
	}
	low, high := 900+ppp/10, 1000+ppp/10
	if math.Abs(low-qnh) < math.Abs(high-qnh) {
		return low
	}
	return high
}

func signTenths(sign, s string) float64 {
	v := num(s) / 10
	if sign == "1" {
		v = -v
	}
	return v
}

// inches reads hundredths of an inch; 0000 is a trace, solidi an amount that fell
// and could not be told.
func inches(s string) Amount {
	v := num(s) / 100 * mmPerInch
	return Amount{MM: v, Reported: true, Trace: v == 0, Indeterminate: math.IsNaN(v)}
}

// began decodes beginnings and ends such as RAB05E30SNB20E55 and TSB05.
func began(r *Report, w string) bool {
	if !events.MatchString(w) {
		return false
	}
	what := ""
	for _, m := range event.FindAllStringSubmatch(w, -1) {
		if m[1] != "" {
			what = m[1]
		}
		hour, minute := "", m[3]
		if len(minute) == 4 {
			hour, minute = minute[:2], minute[2:]
		}
		t := before(r.Time, hour, minute)
		if what == "" || t.IsZero() {
			return false
		}
		r.Events = append(r.Events, Event{strings.TrimLeft(what, "+-"), m[2] == "B", t})
	}
	return true
}
