package reception

import "fmt"

// A Channel is one RF channel of the home.
type Channel struct {
	FrequencyHz int64  // centre; the key. See Key
	Layer       string // ISDB-T layer, T2 PLP; "" where there is one
	RF          int    // number in the region's raster; 0 if it has none
	System      System
	BandwidthHz int64
	Name        string // what people know it by
	Screen      string // the number on screen, such as "12.1"
	Wanted      bool   // counts for "evenings spoiled"
	Transmitter string // name of its transmitter; "" if unknown
	Identity    string // expected identity; "" if the first locked visits decide
	ThresholdDB float64
}

// System is a transmission system.
type System string

// The systems, in machine form.
const (
	ATSC1 System = "atsc1"
	ATSC3 System = "atsc3"
	DVBT  System = "dvbt"
	DVBT2 System = "dvbt2"
	ISDBT System = "isdbt"
	DTMB  System = "dtmb"
)

// Systems lists every system in a fixed order.
func Systems() []System { return []System{ATSC1, ATSC3, DVBT, DVBT2, ISDBT, DTMB} }

// Region names a raster of channel numbers.
type Region string

// The regions whose rasters are known.
const (
	RegionUS     Region = "us"
	RegionEurope Region = "europe"
	RegionJapan  Region = "japan"
	RegionBrazil Region = "brazil"
)

// Regions lists every region in a fixed order.
func Regions() []Region { return []Region{RegionUS, RegionEurope, RegionJapan, RegionBrazil} }

// Band is a part of the spectrum by the region's raster.
type Band string

// The bands.
const (
	VHFLow  Band = "VHF-low"
	VHFHigh Band = "VHF-high"
	UHF     Band = "UHF"
)

// BandOf returns the band a centre frequency in Hz lies in. The borders are those
// of 47 CFR 73.603(a): low VHF ends at 88 MHz, high VHF at 216 MHz; European band
// III (174 to 230 MHz) counts as high VHF.
func BandOf(frequencyHz int64) Band {
	switch {
	case frequencyHz < 100e6:
		return VHFLow
	case frequencyHz < 300e6:
		return VHFHigh
	}
	return UHF
}

// A row of a raster: RF numbers from..to have centres first + (n - from) x step.
type rasterRow struct {
	from, to      int
	firstHz, step int64
	bandwidth     int64
}

// Rasters by region. US: 47 CFR 73.603(a), centre = lower edge + 3 MHz. Europe:
// ETSI/CEPT 7 MHz band III and 8 MHz UHF raster (to 694 MHz). Japan: ARIB STD-B21,
// UHF with the 1/7 MHz offset. Brazil: the US raster plus 1/7 MHz (from memory).
var rasters = map[Region][]rasterRow{
	RegionUS: {
		{2, 4, 57e6, 6e6, 6e6}, {5, 6, 79e6, 6e6, 6e6},
		{7, 13, 177e6, 6e6, 6e6}, {14, 36, 473e6, 6e6, 6e6},
	},
	RegionEurope: {{5, 12, 177500e3, 7e6, 7e6}, {21, 48, 474e6, 8e6, 8e6}},
	RegionJapan:  {{13, 52, 473142857, 6e6, 6e6}},
	RegionBrazil: {{7, 13, 177142857, 6e6, 6e6}, {14, 51, 473142857, 6e6, 6e6}},
}

// DefaultSystem returns the system a region's terrestrial television uses unless
// the user says otherwise; "" for an unknown region.
func (r Region) DefaultSystem() System {
	switch r {
	case RegionUS:
		return ATSC1
	case RegionEurope:
		return DVBT2
	case RegionJapan, RegionBrazil:
		return ISDBT
	}
	return ""
}

// CentreHz returns the centre frequency and bandwidth of an RF number, Hz.
func (r Region) CentreHz(rf int) (centre, bandwidth int64, err error) {
	rows, ok := rasters[r]
	if !ok {
		return 0, 0, fmt.Errorf("region %q has no raster; give frequency_hz", string(r))
	}
	for _, w := range rows {
		if rf >= w.from && rf <= w.to {
			return w.firstHz + int64(rf-w.from)*w.step, w.bandwidth, nil
		}
	}
	return 0, 0, fmt.Errorf("RF %d is not in the raster of region %q", rf, string(r))
}

// RFNumbers returns the RF numbers of a region, ascending.
func (r Region) RFNumbers() []int {
	var n []int
	for _, w := range rasters[r] {
		for rf := w.from; rf <= w.to; rf++ {
			n = append(n, rf)
		}
	}
	return n
}

// snapHz is how near a raster centre a tuned frequency must lie to be keyed by it.
const snapHz = 250e3

// Key returns the frequency that identifies a channel: the centre of the region's
// raster within 250 kHz of tunedHz and its RF number, else tunedHz itself and 0.
func (r Region) Key(tunedHz int64) (frequencyHz int64, rf int) {
	for _, w := range rasters[r] {
		n := (tunedHz - w.firstHz + w.step/2) / w.step
		if tunedHz < w.firstHz-snapHz || n < 0 || n > int64(w.to-w.from) {
			continue
		}
		c := w.firstHz + n*w.step
		if d := tunedHz - c; d <= snapHz && d >= -snapHz {
			return c, w.from + int(n)
		}
	}
	return tunedHz, 0
}
