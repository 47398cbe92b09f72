package drivers

import "math"

// A SunDay is what the sun does around one local noon.
type SunDay struct {
	RiseMS, SetMS int64   // 0 in polar day and polar night
	LengthH       float64 // 0 to 24
}

// horizonDeg is the altitude of the sun's centre at rise and set: 34' of refraction
// and 16' of radius (Meeus, Astronomical Algorithms, ch. 15).
const horizonDeg = -0.8333

// Sun returns sunrise and sunset around the solar noon nearest to atMS, at a
// latitude (degrees north, -90 to 90) and longitude (degrees east). Without
// refraction beyond the standard and on a flat horizon it keeps to two minutes up
// to 60 degrees of latitude; near the polar circles much less.
//
// Source: Meeus, Astronomical Algorithms, 2nd ed., ch. 25 (low accuracy, 0.01
// degrees) and 28, in the form of NOAA's solar calculator.
func Sun(latitude, longitude float64, atMS int64) SunDay {
	// Solar noon: mean noon at the longitude, corrected by the equation of time.
	noonMS := math.Round((float64(atMS)/dayMS+longitude/360-0.5))*dayMS + (0.5-longitude/360)*dayMS
	for range 2 {
		_, eot := sunAt(noonMS)
		noonMS = math.Round((float64(atMS)-noonMS)/dayMS)*dayMS + noonMS
		base := math.Round((noonMS/dayMS + longitude/360 - 0.5)) * dayMS
		noonMS = base + (0.5-longitude/360)*dayMS - eot*60e3
	}
	dec, _ := sunAt(noonMS)
	h, ok := halfDay(latitude, dec)
	if !ok {
		return SunDay{LengthH: 2 * h / 15}
	}
	edge := func(sign float64) float64 {
		hh := h
		for range 3 {
			d, _ := sunAt(noonMS + sign*hh/360*dayMS)
			if x, ok := halfDay(latitude, d); ok {
				hh = x
			}
		}
		return noonMS + sign*hh/360*dayMS
	}
	rise, set := edge(-1), edge(1)
	return SunDay{RiseMS: int64(math.Round(rise)), SetMS: int64(math.Round(set)), LengthH: (set - rise) / hourMS}
}

const dayMS = 24 * hourMS

// halfDay returns the hour angle of sunset in degrees; ok is false when the sun
// does not cross the horizon, then it is 0 or 180.
func halfDay(latitude, dec float64) (deg float64, ok bool) {
	lat, d := rad(latitude), rad(dec)
	c := (math.Sin(rad(horizonDeg)) - math.Sin(lat)*math.Sin(d)) / (math.Cos(lat) * math.Cos(d))
	switch {
	case c >= 1:
		return 0, false
	case c <= -1:
		return 180, false
	}
	return math.Acos(c) * 180 / math.Pi, true
}

// sunAt returns the sun's apparent declination in degrees and the equation of time
// in minutes at an instant, Unix ms. The 70 s between dynamical and civil time are
// left out: 0.0008 degrees.
//
// Source: Meeus ch. 25 (25.2 to 25.7, low accuracy) and 28.3.
func sunAt(ms float64) (decDeg, eotMin float64) {
	t := (ms/dayMS + 2440587.5 - 2451545) / 36525
	l0 := math.Mod(280.46646+t*(36000.76983+t*0.0003032), 360)
	m := rad(357.52911 + t*(35999.05029-t*0.0001537))
	e := 0.016708634 - t*(0.000042037+t*0.0000001267)
	c := math.Sin(m)*(1.914602-t*(0.004817+t*0.000014)) + math.Sin(2*m)*(0.019993-t*0.000101) + math.Sin(3*m)*0.000289
	omega := rad(125.04 - 1934.136*t)
	lambda := rad(l0 + c - 0.00569 - 0.00478*math.Sin(omega))
	eps := rad(23.4392911 - t*(0.0130041667+t*(1.64e-7-t*5.036e-7)) + 0.00256*math.Cos(omega))
	dec := math.Asin(math.Sin(eps) * math.Sin(lambda))
	y := math.Pow(math.Tan(eps/2), 2)
	l := rad(l0)
	eot := y*math.Sin(2*l) - 2*e*math.Sin(m) + 4*e*y*math.Sin(m)*math.Cos(2*l) - y*y/2*math.Sin(4*l) - 1.25*e*e*math.Sin(2*m)
	return dec * 180 / math.Pi, eot * 180 / math.Pi * 4
}

// DayLength returns the hours from sunrise to sunset on a day of the year (1 to
// 366) at a latitude, 0 to 24; within a few minutes below 60 degrees.
//
// Source: Forsythe et al., Ecological Modelling 80 (1995) 87-95, eq. 1 to 3 with
// p = 0.8333 degrees.
func DayLength(dayOfYear int, latitude float64) float64 {
	theta := 0.2163108 + 2*math.Atan(0.9671396*math.Tan(0.00860*float64(dayOfYear-186)))
	h, _ := halfDay(latitude, math.Asin(0.39795*math.Cos(theta))*180/math.Pi)
	return 2 * h / 15
}

func rad(deg float64) float64 { return deg * math.Pi / 180 }
