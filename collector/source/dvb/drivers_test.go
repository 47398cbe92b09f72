//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// running is a counter that has grown at a rate since the tuner was tuned.
func running(fe *fakeFE, perSecond float64) []figure {
	return []figure{{scaleCounter, int64(perSecond * time.Since(fe.tunedAt).Seconds())}}
}

// What the drivers with statistics of version 5 fill in, by their sources in the kernel
// (drivers/media/dvb-frontends, 6.1); C/N is 24.3 dB and 70 blocks break a second.
func TestStatisticsOfKnownDrivers(t *testing.T) {
	type stats func(fe *fakeFE, cmd uint32, a air, locked bool) []figure
	dB := []figure{{scaleDecibel, 24300}}
	// only C/N, and block errors of 70 a second
	common := func(fe *fakeFE, cmd uint32) []figure {
		switch cmd {
		case dtvStatCNR:
			return dB
		case dtvStatBlockErr:
			return running(fe, 70)
		}
		return nil
	}
	plain := func(fe *fakeFE, cmd uint32, a air, locked bool) []figure { return common(fe, cmd) }
	for _, c := range []struct {
		name        string
		sys         reception.System
		layer       string
		stats       stats
		cn, level   float64 // level: per cent
		errs, total int64
		errored     float64
		scale       string
	}{
		// all of version 5; the level is relative
		{name: "Micronas DRX39xxj family Frontend", sys: reception.ATSC1, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			switch cmd {
			case dtvStatStrength:
				return []figure{{scaleRelative, 32768}}
			case dtvStatBlockTot:
				return running(fe, 12894)
			}
			return common(fe, cmd)
		}, cn: 24.3, level: 50, errs: 350, total: 64470, errored: 5, scale: "dvb/drxj/dB/stepNaN/topNaN/unknown/cn"},
		// C/N alone; its older strength comes from the same register, so it is no level
		{name: "LG Electronics LGDT3306A VSB/QAM Frontend", sys: reception.ATSC1, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatCNR {
				return dB
			}
			return nil
		}, cn: 24.3, level: nan, errs: -1, total: -1, errored: 5, scale: "dvb/lgdt3306a/dB/stepNaN/topNaN/from-cn/cn"},
		{name: "LG Electronics LGDT3302 VSB/QAM Frontend", sys: reception.ATSC1, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatBlockTot {
				return running(fe, 10000)
			}
			return common(fe, cmd)
		}, cn: 24.3, level: nan, errs: 350, total: 64470, errored: 5, scale: "dvb/lgdt3302-(blocks-x1.2894)/dB/stepNaN/topNaN/from-cn/cn"},
		{name: "LG Electronics LGDT3303 VSB/QAM Frontend", sys: reception.ATSC1, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatBlockTot {
				return running(fe, 10000)
			}
			return common(fe, cmd)
		}, cn: 24.3, level: nan, errs: 350, total: 64470, errored: 5, scale: "dvb/lgdt3303-(blocks-x1.2894)/dB/stepNaN/topNaN/from-cn/cn"},
		// whole dB in a field of 0.001 dB; bits that are bytes; no count of blocks
		{name: "MaxLinear MxL692 VSB tuner-demodulator", sys: reception.ATSC1, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			switch cmd {
			case dtvStatCNR:
				return []figure{{scaleDecibel, 24}}
			case dtvStatPostErr:
				return running(fe, 900)
			case dtvStatPostTot:
				return running(fe, 19392658)
			}
			return common(fe, cmd)
		}, cn: 24, level: nan, errs: 350, total: 64470, errored: 5, scale: "dvb/mxl692-(cnr-x1000)/dB/step1/topNaN/unknown/cn"},
		// counters that advance by the call: 100 million bits each, which is no rate
		{name: "Silicon Labs Si2168", sys: reception.DVBT2, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			switch cmd {
			case dtvStatPostErr:
				return []figure{{scaleCounter, int64(fe.reads) * 17}}
			case dtvStatPostTot:
				return []figure{{scaleCounter, int64(fe.reads) * 1e8}}
			}
			return common(fe, cmd)
		}, cn: 24.3, level: nan, errs: 350, total: -1, errored: 5, scale: "dvb/si2168/dB/step0.25/topNaN/unknown/cn"},
		// its level is a relative gain, its bits a million a call, and it counts no blocks
		{name: "Realtek RTL2832 (DVB-T)", sys: reception.DVBT, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			switch cmd {
			case dtvStatStrength:
				return []figure{{scaleRelative, 32768}}
			case dtvStatCNR:
				return dB
			case dtvStatPostTot:
				return []figure{{scaleCounter, int64(fe.reads) * 1e6}}
			}
			return nil
		}, cn: 24.3, level: 50, errs: -1, total: -1, errored: nan, scale: "dvb/rtl2832/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Realtek RTL2830 (DVB-T)", sys: reception.DVBT, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatCNR {
				return dB
			}
			return nil
		}, cn: 24.3, level: 55, errs: -1, total: -1, errored: nan, scale: "dvb/rtl2830/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Sony CXD2820R", sys: reception.DVBT2, stats: plain, cn: 24.3, level: 55, errs: 350, total: -1, errored: 5, scale: "dvb/cxd2820r/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Afatech AF9013", sys: reception.DVBT, stats: plain, cn: 24.3, level: 55, errs: 350, total: -1, errored: 5, scale: "dvb/af9013/dB/stepNaN/topNaN/unknown/cn"},
		{name: "DRXK DVB-T", sys: reception.DVBT, stats: plain, cn: 24.3, level: 55, errs: 350, total: -1, errored: 5, scale: "dvb/drxk/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Panasonic MN88472", sys: reception.DVBT2, stats: plain, cn: 24.3, level: 55, errs: 350, total: -1, errored: 5, scale: "dvb/mn88472/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Panasonic MN88473", sys: reception.DVBT2, stats: plain, cn: 24.3, level: 55, errs: 350, total: -1, errored: 5, scale: "dvb/mn88473/dB/stepNaN/topNaN/unknown/cn"},
		// its older call has two units, by the chip beneath: without C/N of version 5 there is none
		{name: "Afatech AF9033 (DVB-T)", sys: reception.DVBT, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure { return nil },
			cn: nan, level: 55, errs: -1, total: -1, errored: nan, scale: "dvb/af9033/dB/stepNaN/topNaN/unknown/cn"},
		// block errors of the last interval alone: that there were some, not how many
		{name: "Sony CXD2837ER DVB-T/T2/C demodulator", sys: reception.DVBT2, stats: lastInterval, cn: 24.3, level: 55, errs: -1, total: -1, errored: 2, scale: "dvb/cxd2837er/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Sony CXD2841ER DVB-T/T2/C demodulator", sys: reception.DVBT2, stats: lastInterval, cn: 24.3, level: 55, errs: -1, total: -1, errored: 2, scale: "dvb/cxd2841er/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Sony CXD2843ER DVB-T/T2/C/C2 demodulator", sys: reception.DVBT2, stats: lastInterval, cn: 24.3, level: 55, errs: -1, total: -1, errored: 2, scale: "dvb/cxd2843er/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Sony CXD2838ER ISDB-T demodulator", sys: reception.ISDBT, stats: lastInterval, cn: 24.3, level: 55, errs: -1, total: -1, errored: 2, scale: "dvb/cxd2838er/dB/stepNaN/topNaN/unknown/cn"},
		{name: "Sony CXD2854ER DVB-T/T2/C and ISDB-T demodulator", sys: reception.ISDBT, stats: lastInterval, cn: 24.3, level: 55, errs: -1, total: -1, errored: 2, scale: "dvb/cxd2854er/dB/stepNaN/topNaN/unknown/cn"},
		// the blocks of the layers are added to those of the whole: no total
		{name: "DiBcom 8000 ISDB-T", sys: reception.ISDBT, stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatBlockTot {
				return running(fe, 20000)
			}
			return common(fe, cmd)
		}, cn: 24.3, level: 55, errs: 350, total: -1, errored: 5, scale: "dvb/dib8000/dB/stepNaN/topNaN/unknown/cn"},
		// layers after the whole; the level is of the whole alone
		{name: "Fujitsu mb86A20s", sys: reception.ISDBT, layer: "B", stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			n := func(rate float64) figure { return running(fe, rate)[0] }
			switch cmd {
			case dtvStatStrength:
				return []figure{{scaleRelative, 32768}}
			case dtvStatCNR:
				return []figure{{scaleDecibel, 25000}, {scaleDecibel, 26000}, {scaleDecibel, 24300}, {}}
			case dtvStatBlockErr:
				return []figure{n(1000), n(930), n(70), {}}
			case dtvStatBlockTot:
				return []figure{n(9000), n(500), n(8500), {}}
			}
			return nil
		}, cn: 24.3, level: 50, errs: 350, total: 42500, errored: 5, scale: "dvb/mb86a20s/dB/stepNaN/topNaN/unknown/cn"},
		// C/N of the whole alone, which a layer shares; bits of the last interval
		{name: "Toshiba TC90522 ISDB-T module", sys: reception.ISDBT, layer: "A", stats: func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			switch cmd {
			case dtvStatCNR:
				return dB
			case dtvStatPostErr, dtvStatPostTot:
				return []figure{{scaleCounter, 1000}, {scaleCounter, 2000 - int64(fe.reads)}}
			}
			return nil
		}, cn: 24.3, level: 55, errs: -1, total: -1, errored: nan, scale: "dvb/tc90522/dB/stepNaN/topNaN/unknown/cn"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k, fe := oneTuner(t)
				fe.name, fe.stats = c.name, c.stats
				fe.old = map[uintptr]func(air, bool) (uint32, error){
					feReadSignal: func(air, bool) (uint32, error) { return 36044, nil }, // 55 %
					feReadSNR:    func(air, bool) (uint32, error) { return 31000, nil },
					feReadUCB:    func(air, bool) (uint32, error) { return uint32(70 * time.Since(fe.tunedAt).Seconds()), nil },
				}
				if c.cn == c.cn && strings.HasPrefix(c.scale, "dvb/si2168") { // has none of these calls
					fe.old = nil
				}
				if strings.HasPrefix(c.scale, "dvb/mxl692") {
					delete(fe.old, feReadSignal)
				}
				r, _, err := visit(t, k, reception.Channel{FrequencyHz: good, System: c.sys, Layer: c.layer}, 5*time.Second)
				if err != nil {
					t.Fatal(err)
				}
				if !near(r.CNDB, c.cn, 1e-9) || !near(r.LevelPct, c.level, 0.01) || r.UncorrectedBlocks != c.errs || r.TotalBlocks != c.total || !near(r.ErroredS, c.errored, 0) || r.Scale != c.scale {
					t.Errorf("C/N %g dB, level %g %%, %d of %d blocks, errored %g s, scale %q\nwant %g, %g, %d of %d, %g, %q",
						r.CNDB, r.LevelPct, r.UncorrectedBlocks, r.TotalBlocks, r.ErroredS, r.Scale, c.cn, c.level, c.errs, c.total, c.errored, c.scale)
				}
				if r.PreErrors != reception.NotCounted || r.PreBits != reception.NotCounted {
					t.Errorf("%d errors in %d bits before correction, and the driver counts none there", r.PreErrors, r.PreBits)
				}
			})
		})
	}
}

// lastInterval has block errors in two of the five seconds of a dwell that begins a second
// after tuning, each time of the last second alone.
func lastInterval(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
	s := int64(time.Since(fe.tunedAt).Seconds())
	switch cmd {
	case dtvStatCNR:
		return []figure{{scaleDecibel, 24200 + 100*(s%3)}}
	case dtvStatBlockErr:
		return []figure{{scaleCounter, map[int64]int64{3: 9, 5: 4}[s]}}
	}
	return nil
}

// The suite of every source holds with each driver, by the statistics of version 5 and
// by the older calls alone: hung, unplugged, in other hands, and talking nonsense.
func TestContractOfEveryDriver(t *testing.T) {
	for _, name := range append(slices.Sorted(maps.Keys(drivers)), "Stranger 9000") {
		d, known := driverOf(name)
		sys := reception.ATSC1
		switch {
		case strings.Contains(name, "ISDB-T") || d.short == "mb86a20s":
			sys = reception.ISDBT
		case !strings.Contains(name, "VSB") && known:
			sys = reception.DVBT
		}
		t.Run(d.short+", version 5", func(t *testing.T) {
			contract(t, sys, func(fe *fakeFE) {
				fe.name = name
				if d.cnrTimes > 0 || !math.IsNaN(d.top) {
					a := fe.air[good]
					a.cnr = 25000
					if d.cnrTimes > 0 {
						a.cnr = 25
					}
					fe.air[good] = a
				}
			})
		})
		if d.snrDB == 0 && known {
			continue
		}
		t.Run(d.short+", older calls", func(t *testing.T) {
			contract(t, sys, func(fe *fakeFE) {
				fe.name = name
				fe.stats = func(*fakeFE, uint32, air, bool) []figure { return nil }
				fe.old[feReadUCB] = func(air, bool) (uint32, error) { return 7, nil }
				fe.old[feReadSNR] = func(_ air, locked bool) (uint32, error) {
					if !locked || d.snrDB == 0 {
						return 0, nil
					}
					return uint32(25 / d.snrDB), nil
				}
			})
		})
	}
}

// Each driver of the table is played by a test.
func TestEveryDriverIsPlayed(t *testing.T) {
	var text []byte
	for _, f := range []string{"source_test.go", "drivers_test.go"} {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		text = append(text, b...)
	}
	for _, name := range slices.Sorted(maps.Keys(drivers)) {
		if !strings.Contains(string(text), fmt.Sprintf("name: %q", name)) {
			t.Errorf("no test plays %q", name)
		}
	}
}

// readsOfADwell plays a driver for a dwell and returns what was asked of the kernel in it.
func readsOfADwell(t *testing.T, play func(fe *fakeFE)) (r reception.Reading, log []uintptr) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		play(fe)
		var err error
		if r, _, err = visit(t, k, goodATSC, 3*time.Second); err != nil {
			t.Fatal(err)
		}
		log = k.log
	})
	return r, log
}

// One look is the status, which makes the driver refresh, then one call for all
// statistics, then older calls for what is missing and no others. The one for bit errors
// is never made: reading empties it in some drivers.
func TestOrderOfReading(t *testing.T) {
	older := map[uintptr]func(air, bool) (uint32, error){
		feReadSignal: func(air, bool) (uint32, error) { return 30000, nil },
		feReadSNR:    func(air, bool) (uint32, error) { return 243, nil },
		feReadUCB:    func(air, bool) (uint32, error) { return 0, nil },
	}
	for _, c := range []struct {
		what string
		play func(fe *fakeFE)
		want []uintptr
	}{
		{"a driver that has all", func(fe *fakeFE) { fe.old = older }, []uintptr{feReadStatus, feGetProperty}},
		{"a driver that has nothing but old calls", func(fe *fakeFE) {
			fe.name, fe.old = "Zarlink ZL10353 DVB-T", older
			fe.stats = func(*fakeFE, uint32, air, bool) []figure { return nil }
		}, []uintptr{feReadStatus, feGetProperty, feReadSNR, feReadSignal, feReadUCB}},
		{"level comes from C/N", func(fe *fakeFE) {
			fe.name, fe.old = "Samsung S5H1411 QAM/8VSB Frontend", older
			fe.stats = func(*fakeFE, uint32, air, bool) []figure { return nil }
		}, []uintptr{feReadStatus, feGetProperty, feReadSNR, feReadUCB}},
	} {
		t.Run(c.what, func(t *testing.T) {
			_, log := readsOfADwell(t, c.play)
			n := 0
			for i := 0; i+len(c.want) <= len(log); i++ {
				if slices.Equal(log[i:i+len(c.want)], c.want) {
					n++
				}
			}
			if n < 4 {
				t.Errorf("asked %x; want four looks of %x", log, c.want)
			}
			if slices.Contains(log, uintptr(0x80046f46)) {
				t.Error("FE_READ_BER was asked")
			}
		})
	}
}

// A driver refreshes its statistics when its status is read, and then alone.
func TestStatusIsReadFirst(t *testing.T) {
	r, _ := readsOfADwell(t, func(fe *fakeFE) {
		fe.lazy = true
		fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatCNR {
				return []figure{{scaleDecibel, 20000 + 1000*int64(time.Since(fe.tunedAt).Seconds())}}
			}
			return nil
		}
	})
	// seen 1, 2, 3 and 4 s after tuning
	if r.CNDB != 22.5 || r.CNLowDB != 21 {
		t.Errorf("C/N %g dB, lowest %g, want 22.5 and 21", r.CNDB, r.CNLowDB)
	}
}

// A value that a driver repeats is no second measurement.
func TestRepeatedValues(t *testing.T) {
	for _, c := range []struct {
		what      string
		name      string
		every     time.Duration // the driver refreshes
		spread    float64
		errored   float64
		errs, tot int64
	}{
		{"refreshed at each look", "Some Demodulator", time.Second, 1, 0, 0, 3 * 12894},
		{"refreshed every other second", "LG Electronics LGDT3303 VSB/QAM Frontend", 2 * time.Second, nan, 0, 0, 49871},
	} {
		t.Run(c.what, func(t *testing.T) {
			r, _ := readsOfADwell(t, func(fe *fakeFE) {
				fe.name = c.name
				fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
					n := int64(time.Since(fe.tunedAt) / c.every)
					s := n * int64(c.every/time.Second)
					switch cmd {
					case dtvStatCNR:
						return []figure{{scaleDecibel, 20000 + 2000*(n%2)}}
					case dtvStatBlockErr:
						return []figure{{scaleCounter, 7}}
					case dtvStatBlockTot:
						return []figure{{scaleCounter, s * 12894}}
					}
					return nil
				}
			})
			if c.every == time.Second && !near(r.CNSpreadDB, 2/1.7320508, 0.005) || c.every > time.Second && r.CNSpreadDB > 2 {
				t.Errorf("spread %g dB", r.CNSpreadDB)
			}
			if !near(r.ErroredS, c.errored, 0) || r.UncorrectedBlocks != c.errs || r.TotalBlocks < c.tot-12894*2 {
				t.Errorf("errored %g s, %d of %d blocks; want %g, %d of %d", r.ErroredS, r.UncorrectedBlocks, r.TotalBlocks, c.errored, c.errs, c.tot)
			}
		})
	}
}

// Two scales in one dwell are never mixed: dB wins, per cent is dropped.
func TestScalesAreNotMixed(t *testing.T) {
	r, _ := readsOfADwell(t, func(fe *fakeFE) {
		fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd != dtvStatCNR {
				return nil
			}
			if fe.reads%2 == 0 {
				return []figure{{scaleRelative, 60000}}
			}
			return []figure{{scaleDecibel, 24300}}
		}
	})
	if r.CNDB != 24.3 || r.CNLowDB != 24.3 || r.CNSpreadDB > 0 || !reception.Missing(r.QualityPct) {
		t.Errorf("C/N %g dB, lowest %g, spread %g, quality %g %%; want 24.3 dB alone", r.CNDB, r.CNLowDB, r.CNSpreadDB, r.QualityPct)
	}
}

// More quirks of drivers and of the kernel's part above them.
func TestMoreQuirks(t *testing.T) {
	for _, c := range []struct {
		what  string
		play  func(fe *fakeFE)
		check func(r reception.Reading, s *Source) error
	}{
		{"si2168's 65535 broken blocks are the firmware's", func(fe *fakeFE) {
			fe.name = "Silicon Labs Si2168"
			fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
				if cmd != dtvStatBlockErr {
					return nil
				}
				n := int64(0)
				if time.Since(fe.tunedAt) > 2500*time.Millisecond {
					n = 0xffff
				}
				return []figure{{scaleCounter, n}}
			}
		}, func(r reception.Reading, s *Source) error {
			if r.UncorrectedBlocks != 0 || reception.Missing(r.ErroredS) != true {
				return fmt.Errorf("%d blocks, errored %g s; want none, and not known", r.UncorrectedBlocks, r.ErroredS)
			}
			return nil
		}},
		{"0 dBm is what a driver says before it has measured", func(fe *fakeFE) {
			fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
				if cmd == dtvStatStrength && time.Since(fe.tunedAt) < 5500*time.Millisecond {
					return []figure{{scaleDecibel, 0}}
				}
				return decibels(fe, cmd, a, locked)
			}
		}, func(r reception.Reading, s *Source) error {
			if r.LevelDBm != -41.25 || s.Rejected() != 0 {
				return fmt.Errorf("level %g dBm, %d rejected", r.LevelDBm, s.Rejected())
			}
			return nil
		}},
		{"C/N in dB stays when an old call would say 0 for ever", func(fe *fakeFE) {
			fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
				if cmd == dtvStatCNR && time.Since(fe.tunedAt) > 3500*time.Millisecond {
					return []figure{{scaleNone, 0}}
				}
				return decibels(fe, cmd, a, locked)
			}
			fe.old = map[uintptr]func(air, bool) (uint32, error){feReadSNR: func(air, bool) (uint32, error) { return 1, nil }}
		}, func(r reception.Reading, s *Source) error {
			if r.CNDB != 27.125 || !reception.Missing(r.QualityPct) {
				return fmt.Errorf("C/N %g dB, quality %g %%", r.CNDB, r.QualityPct)
			}
			return nil
		}},
		{"power-up takes 0.7 s, in which the status waits", func(fe *fakeFE) { fe.slow = 700 * time.Millisecond }, func(r reception.Reading, s *Source) error {
			if !r.Locked || r.CNDB != 27.125 || r.DwellMS != 5000 {
				return fmt.Errorf("%+v", r)
			}
			return nil
		}},
		{"old calls answer EOPNOTSUPP", lacking(unix.EOPNOTSUPP), onlyCN},
		{"old calls answer ENOTTY", lacking(unix.ENOTTY), onlyCN},
		{"old calls answer 524, which has no name", lacking(unix.Errno(524)), onlyCN},
		{"old calls answer EREMOTEIO", lacking(unix.EREMOTEIO), onlyCN},
		{"an 8-bit counter tells that there were errors, not how many", func(fe *fakeFE) {
			fe.name = "LG Electronics LGDT3306A VSB/QAM Frontend"
			fe.stats = func(*fakeFE, uint32, air, bool) []figure { return nil }
			fe.old = map[uintptr]func(air, bool) (uint32, error){feReadUCB: func(air, bool) (uint32, error) {
				return uint32(12894*time.Since(fe.tunedAt).Seconds()) & 255, nil
			}}
		}, func(r reception.Reading, s *Source) error {
			if r.UncorrectedBlocks != reception.NotCounted || r.ErroredS != 5 {
				return fmt.Errorf("%d blocks, errored %g s", r.UncorrectedBlocks, r.ErroredS)
			}
			return nil
		}},
		{"a 16-bit counter that may have come round between two slow looks", func(fe *fakeFE) {
			fe.name, fe.slow = "Samsung S5H1411 QAM/8VSB Frontend", 5500*time.Millisecond
			fe.stats = func(*fakeFE, uint32, air, bool) []figure { return nil }
			fe.old = map[uintptr]func(air, bool) (uint32, error){feReadUCB: func(air, bool) (uint32, error) {
				return uint32(12894*time.Since(fe.tunedAt).Seconds()) & 65535, nil
			}}
		}, func(r reception.Reading, s *Source) error {
			if r.UncorrectedBlocks != reception.NotCounted {
				return fmt.Errorf("%d blocks of a counter that is not to be trusted so long", r.UncorrectedBlocks)
			}
			return nil
		}},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				k, fe := oneTuner(t)
				c.play(fe)
				r, s, err := visit(t, k, goodATSC, 5*time.Second)
				if err != nil {
					t.Fatal(err)
				}
				if err := c.check(r, s); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

func lacking(errno unix.Errno) func(fe *fakeFE) {
	return func(fe *fakeFE) {
		no := func(air, bool) (uint32, error) { return 7, errno }
		fe.name = "Zarlink ZL10353 DVB-T"
		fe.old = map[uintptr]func(air, bool) (uint32, error){feReadSignal: no, feReadSNR: no, feReadUCB: no}
		fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
			if cmd == dtvStatCNR {
				return decibels(fe, cmd, a, locked)
			}
			return nil
		}
	}
}

func onlyCN(r reception.Reading, s *Source) error {
	if r.CNDB != 27.125 || !reception.Missing(r.LevelPct) || r.UncorrectedBlocks != reception.NotCounted || !reception.Missing(r.ErroredS) {
		return fmt.Errorf("C/N %g, level %g %%, %d blocks, errored %g s; want C/N alone", r.CNDB, r.LevelPct, r.UncorrectedBlocks, r.ErroredS)
	}
	return nil
}

// Level that is missing for minutes is said once.
func TestLevelThatCeases(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, fe := oneTuner(t)
		s, log := logged(t, k)
		for i := range 20 {
			fe.stats = func(fe *fakeFE, cmd uint32, a air, locked bool) []figure {
				if cmd == dtvStatStrength && i >= 2 && i < 18 {
					return nil
				}
				return decibels(fe, cmd, a, locked)
			}
			if _, err := s.Visit(t.Context(), collector.Visit{Channel: goodATSC, Dwell: time.Second, LockWait: time.Second, Kind: reception.VisitBase}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Minute)
		}
		if n := strings.Count(log.String(), "gives no level"); n != 1 {
			t.Errorf("said %d times, want once:\n%s", n, log)
		}
	})
}
