//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"math"
	"strings"
)

var nan = math.NaN()

// A driver is what is known of a demodulator driver beyond the API: the units of the
// calls that are older than version 5, and where its numbers mislead. From the
// drivers' sources in the kernel, drivers/media/dvb-frontends and drivers/media/usb,
// version 6.1.
type driver struct {
	short string
	snrDB float64 // dB in one unit of FE_READ_SNR; 0: not believed
	step  float64 // of C/N, dB; NaN: irregular or not known
	top   float64 // highest C/N it can show, dB; NaN: none known

	levelFromCN bool // FE_READ_SIGNAL_STRENGTH is computed from the SNR: no second witness
	ucbBits     int  // width of FE_READ_UNCORRECTED_BLOCKS; 0: it counts nothing

	cnrTimes   float64 // correction of DTV_STAT_CNR; 0: none
	totalTimes float64 // correction of DTV_STAT_TOTAL_BLOCK_COUNT; 0: none
	corrected  string  // what we correct, a part of the scale

	slow     bool  // refreshes its statistics once a second at most
	noTotal  bool  // DTV_STAT_TOTAL_BLOCK_COUNT counts something else
	lastOnly bool  // DTV_STAT_ERROR_BLOCK_COUNT is of the last interval, not a running sum
	bogus    int64 // a growth of the block errors that the firmware makes up; 0: none
}

// Drivers that have the same numbers.
var (
	// its block count has 10 000 a second added where 8-VSB has 12 894
	lgdt330x = driver{snrDB: 1. / 256, step: nan, top: nan, levelFromCN: true, totalTimes: 1.2894, corrected: "blocks x1.2894", slow: true}
	cxd2841  = driver{step: nan, top: nan, slow: true, lastOnly: true}
	// no call of theirs is missed: all that they know is in version 5
	version5 = driver{step: nan, top: nan}
	tenths   = driver{snrDB: 0.1, step: nan, top: nan}
)

func (d driver) as(short string) driver {
	d.short = short
	return d
}

// drivers by the name in FE_GET_INFO.
var drivers = map[string]driver{
	// 8-VSB
	"Auvitek AU8522 QAM/8VSB Frontend":          {short: "au8522", snrDB: 0.1, step: nan, top: 27.0, levelFromCN: true, ucbBits: 8},
	"Broadcom BCM3510 VSB/QAM frontend":         {short: "bcm3510", snrDB: 0.001, step: nan, top: nan, ucbBits: 32},
	"Micronas DRX39xxj family Frontend":         {short: "drxj", snrDB: 0.01, step: nan, top: nan},
	"LG Electronics LGDT3304 VSB/QAM Frontend":  {short: "lgdt3304", snrDB: 0.1, step: 0.1, top: nan, levelFromCN: true, ucbBits: 16},
	"LG Electronics LGDT3305 VSB/QAM Frontend":  {short: "lgdt3305", snrDB: 0.1, step: 0.1, top: nan, levelFromCN: true, ucbBits: 16},
	"LG Electronics LGDT3306A VSB/QAM Frontend": {short: "lgdt3306a", snrDB: 0.1, step: nan, top: nan, levelFromCN: true, ucbBits: 8},
	"LG Electronics LGDT3302 VSB/QAM Frontend":  lgdt330x.as("lgdt3302"),
	"LG Electronics LGDT3303 VSB/QAM Frontend":  lgdt330x.as("lgdt3303"),
	// whole dB in a field of 0.001 dB
	"MaxLinear MxL692 VSB tuner-demodulator": {short: "mxl692", snrDB: 1, step: 1, top: nan, cnrTimes: 1000, corrected: "cnr x1000"},
	"Nextwave NXT200X VSB/QAM frontend":      {short: "nxt200x", snrDB: 0.0005, step: nan, top: 30.0, levelFromCN: true, ucbBits: 8},
	"Oren OR51132 VSB/QAM Frontend":          {short: "or51132", snrDB: 1. / 256, step: nan, top: nan, levelFromCN: true},
	"Oren OR51211 VSB Frontend":              {short: "or51211", snrDB: 1. / 256, step: nan, top: nan, levelFromCN: true},
	"Samsung S5H1409 QAM/8VSB Frontend":      {short: "s5h1409", snrDB: 0.1, step: 0.5, top: 30.0, levelFromCN: true, ucbBits: 16},
	"Samsung S5H1411 QAM/8VSB Frontend":      {short: "s5h1411", snrDB: 0.1, step: 0.5, top: 30.0, levelFromCN: true, ucbBits: 16},

	// DVB-T and DVB-T2
	"Silicon Labs Si2168": {short: "si2168", step: 0.25, top: nan, bogus: 0xffff},
	// its FE_READ_UNCORRECTED_BLOCKS is always 0, or not there
	"Realtek RTL2830 (DVB-T)": tenths.as("rtl2830"),
	"Realtek RTL2832 (DVB-T)": tenths.as("rtl2832"),
	"Sony CXD2820R":           tenths.as("cxd2820r"),
	"Afatech AF9013":          tenths.as("af9013"),
	"DRXK DVB-T":              tenths.as("drxk"),
	// one call, two units, by the chip beneath
	"Afatech AF9033 (DVB-T)":                   version5.as("af9033"),
	"Panasonic MN88472":                        version5.as("mn88472"),
	"Panasonic MN88473":                        version5.as("mn88473"),
	"Sony CXD2837ER DVB-T/T2/C demodulator":    cxd2841.as("cxd2837er"),
	"Sony CXD2841ER DVB-T/T2/C demodulator":    cxd2841.as("cxd2841er"),
	"Sony CXD2843ER DVB-T/T2/C/C2 demodulator": cxd2841.as("cxd2843er"),
	// nothing but the older calls
	"Zarlink ZL10353 DVB-T": {short: "zl10353", snrDB: 0.1, step: 0.125, top: nan, ucbBits: 32},
	"NXP TDA10048HN DVB-T":  {short: "tda10048", snrDB: 0.1, step: nan, top: nan, ucbBits: 16},
	"DiBcom 7000PC":         {short: "dib7000p", snrDB: 0.1, step: nan, top: nan, ucbBits: 16},

	// ISDB-T. dib8000 adds the blocks of the layers to those of the whole.
	"DiBcom 8000 ISDB-T":                               {short: "dib8000", snrDB: 0.1, step: nan, top: nan, ucbBits: 16, slow: true, noTotal: true},
	"Sony CXD2838ER ISDB-T demodulator":                cxd2841.as("cxd2838er"),
	"Sony CXD2854ER DVB-T/T2/C and ISDB-T demodulator": cxd2841.as("cxd2854er"),
	"Fujitsu mb86A20s":                                 version5.as("mb86a20s"),
	"Toshiba TC90522 ISDB-T module":                    version5.as("tc90522"),
}

// driverOf returns what is known of a frontend by the name that it gives itself.
func driverOf(name string) (d driver, known bool) {
	if d, ok := drivers[name]; ok {
		return d, true
	}
	return driver{short: slug(name), step: nan, top: nan}, false
}

// slug makes a short name of an unknown one: lower case letters, digits and dashes.
func slug(name string) string {
	s := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, name)
	if len(s) > 40 {
		s = s[:40]
	}
	return strings.Trim(s, "-")
}
