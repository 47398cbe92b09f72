//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// What Linux tuners do beyond what the API says, row by row, and the tests that hold
// this package to it: functions, or function and case. Sources of the rows: the kernel's
// drivers/media/dvb-core and drivers/media/dvb-frontends, versions 6.1 and 6.12, and
// measurements in the machine of testdata/tuner-lab. Rows of the lab's file run there.
var rows = []struct {
	row   string
	tests []string
}{
	// the kernel's part above the drivers
	{"structs and numbers as in linux/dvb/frontend.h, on 64 and 32 bits", []string{"TestRecordedProperties", "TestLabPropertyBytes", "TestContract"}},
	{"a second writer gets EBUSY at once: in use", []string{"TestErrorsSayWhatToDo/busy", "TestContract", "TestLabContract"}},
	{"a driver lacks an old call: errno 524, EOPNOTSUPP or ENOTTY", []string{
		"TestMoreQuirks/old calls answer 524, which has no name", "TestMoreQuirks/old calls answer EOPNOTSUPP", "TestMoreQuirks/old calls answer ENOTTY"}},
	{"the first reads after a tune are the channel before's", []string{"TestStatisticsOfTheChannelBefore", "TestLabQuirks/statistics of the channel before for less than a second"}},
	{"a driver refreshes when its status is read: that first, then one call for all statistics, old calls for what is missing", []string{"TestStatusIsReadFirst", "TestOrderOfReading"}},
	{"the status waits through power-up and tuning", []string{"TestMoreQuirks/power-up takes 0.7 s, in which the status waits", "TestLabQuirks/power-up takes 0.7 s"}},
	{"scale not available holds garbage", []string{"TestQuirksOfDrivers/scale not available holds garbage", "TestLabQuirks/not available, with garbage"}},
	{"a statistic that is never filled has length 0", []string{"TestOldCalls", "TestLabLike8VSBDrivers"}},
	{"unsupported system, frequency out of range: EINVAL, that channel alone", []string{"TestErrorsSayWhatToDo/no such system", "TestErrorsSayWhatToDo/out of range", "TestLabTuningFails"}},
	{"a driver that fails to tune says nothing: no lock", []string{"TestLabTuningFails"}},
	{"a status that cannot be read: statistics go on with old values, which are dropped", []string{"TestQuirksOfDrivers/a status that cannot be read twice shortens the dwell", "TestLabQuirks/every fourth read fails"}},
	{"pulled out: ENODEV from everything, also while a read hangs", []string{"TestErrorsSayWhatToDo/pulled out in the dwell", "TestUnpluggedWhileACallHangs", "TestLabUnplugInTheDwell"}},
	{"a new plug gets the lowest free number", []string{"TestFoundByPlaceOrName", "TestTwoSticksOfOneMake", "TestLabUnplugAndReturnElsewhere", "TestLabFoundByPlaceOrName"}},
	{"the tuner sleeps when the last writer has closed: a visit closes", []string{"TestAReadingOfADriverThatGivesAll", "TestLabReadsWhatIsScripted"}},
	{"lock is lost and comes back by itself, counters from 0", []string{"TestQuirksOfDrivers/counters start anew in the middle", "TestQuirksOfDrivers/lock is lost early in the dwell", "TestLabLockLostInTheDwell"}},
	{"a pending signal interrupts opening: again", []string{"TestInterruptedCalls"}},
	{"ISDB-T: whole, A, B, C, and layer C damaged", []string{"TestLayersOfISDBT", "TestRecordedProperties"}},
	{"an earlier owner's parameters stay unless cleared", []string{"TestTuning"}},

	// riding: another program owns the tuner
	{"readers beside the owner see status, statistics, frequency and system", []string{"TestRide/a viewer on one of ours", "TestLabRiding", "TestContract", "TestLabContract"}},
	{"a reader may not tune nor take events, and need not", []string{"TestRide", "TestLabRiding"}},
	{"the owner is on another channel than the call before: dropped", []string{"TestRide/the viewer zaps", "TestRide/the viewer goes to another system on the frequency"}},
	{"old calls say EAGAIN when nobody has the tuner: not measured, not down", []string{"TestRide/nobody", "TestRide/the viewer leaves", "TestLabRiding/the owner leaves while it is looked at"}},
	{"statistics after the owner has left: lock for ever in some drivers", []string{"TestLabRiding/a driver that keeps lock and values for ever"}},
	{"a driver without old calls: idle when nothing moved over five looks", []string{"TestRide/a driver without older calls that holds its last values for ever", "TestLabRiding/a driver that keeps them and has no old calls"}},
	{"no old call for bit errors or blocks while another program owns the tuner", []string{"TestRide", "TestLabRiding/counts that reading empties"}},
	{"frontends that share an adapter: any open file keeps the sibling out", []string{"TestRideBesideASibling", "TestRideWhileTheSiblingIsInUse"}},
	{"a file open for reading never wakes the tuner", []string{"TestLabRiding"}},
	{"a call hangs while looking on", []string{"TestRideThatHangs"}},

	// drivers of 8-VSB: units, ceilings, widths
	{"au8522: 0.1 dB up to 27.0, level from C/N, 8 bits", []string{"TestOldCalls/Auvitek AU8522 QAM/8VSB Frontend", "TestLabLike8VSBDrivers/au8522"}},
	{"bcm3510: 0.001 dB, a level of its own", []string{"TestOldCalls/Broadcom BCM3510 VSB/QAM frontend", "TestLabLike8VSBDrivers/bcm3510"}},
	{"drxj: all statistics, level relative", []string{"TestStatisticsOfKnownDrivers/Micronas DRX39xxj family Frontend", "TestLabLike8VSBDrivers/drxj"}},
	{"lgdt3304, lgdt3305: 0.1 dB, level from C/N, 16 bits", []string{"TestOldCalls/LG Electronics LGDT3304 VSB/QAM Frontend", "TestOldCalls/LG Electronics LGDT3305 VSB/QAM Frontend", "TestLabLike8VSBDrivers/lgdt3305"}},
	{"lgdt3306a: C/N of version 5 alone, level from C/N in steps, 8 bits", []string{"TestStatisticsOfKnownDrivers/LG Electronics LGDT3306A VSB/QAM Frontend", "TestLabLike8VSBDrivers/lgdt3306a"}},
	{"lgdt330x: C/N and blocks, a total that is made up", []string{"TestStatisticsOfKnownDrivers/LG Electronics LGDT3302 VSB/QAM Frontend", "TestStatisticsOfKnownDrivers/LG Electronics LGDT3303 VSB/QAM Frontend", "TestLabLike8VSBDrivers/lgdt330x"}},
	{"mxl692: whole dB, error bytes as bits, no total", []string{"TestStatisticsOfKnownDrivers/MaxLinear MxL692 VSB tuner-demodulator", "TestLabLike8VSBDrivers/mxl692"}},
	{"nxt200x: 0.0005 dB up to 30.0, 8 bits", []string{"TestOldCalls/Nextwave NXT200X VSB/QAM frontend", "TestLabLike8VSBDrivers/nxt200x"}},
	{"or51132: 1/256 dB, counts that are always 0", []string{"TestOldCalls/Oren OR51132 VSB/QAM Frontend", "TestLabLike8VSBDrivers/or51132"}},
	{"or51211: 1/256 dB, counts that are always 4294967258", []string{"TestOldCalls/Oren OR51211 VSB Frontend", "TestLabLike8VSBDrivers/or51211"}},
	{"s5h1409, s5h1411: 0.1 dB up to 30.0 in steps of 0.5, 16 bits", []string{"TestOldCalls/Samsung S5H1409 QAM/8VSB Frontend", "TestOldCalls/Samsung S5H1411 QAM/8VSB Frontend", "TestLabLike8VSBDrivers/s5h1409", "TestLabLike8VSBDrivers/s5h1411"}},
	{"a count that is always 0 is not a clean channel", []string{"TestOldCalls/Oren OR51132 VSB/QAM Frontend", "TestOldCalls/Stranger 9000"}},
	{"an unknown name: raw numbers, uncalibrated, no dB", []string{"TestOldCalls/Stranger 9000"}},
	{"ISDB-T drivers that give C/N of the whole alone, or whose total is made up", []string{
		"TestStatisticsOfKnownDrivers/Toshiba TC90522 ISDB-T module", "TestStatisticsOfKnownDrivers/Fujitsu mb86A20s", "TestStatisticsOfKnownDrivers/DiBcom 8000 ISDB-T",
		"TestLabLikeOtherDrivers/mb86a20s", "TestLabLikeOtherDrivers/dib8000"}},
	{"DVB-T drivers with nothing but old calls: 0.1 dB, 16 bits", []string{"TestOldCalls/Zarlink ZL10353 DVB-T", "TestOldCalls/NXP TDA10048HN DVB-T", "TestLabLikeOtherDrivers/zl10353", "TestLabLikeOtherDrivers/tda10048"}},
	{"every driver of the table is played", []string{"TestEveryDriverIsPlayed"}},

	// quirks
	{"whole dB from a driver that is not known for it: a unit error, said once", []string{"TestQuirksOfDrivers/whole dB from a driver that is not known to give them", "TestNonsenseIsLoggedOnce", "TestLabQuirks/whole dB where 0.001 dB are due"}},
	{"relative scales stay per cent and are never mixed with dB", []string{"TestQuirksOfDrivers/relative scales are per cent", "TestScalesAreNotMixed", "TestUnlockedVisitsKeepTheScale", "TestLabQuirks/relative scales"}},
	{"not available for a while is a gap, and old calls are no stand-in", []string{"TestQuirksOfDrivers/C/N is missing every second time: a gap, not a zero", "TestMoreQuirks/C/N in dB stays when an old call would say 0 for ever"}},
	{"si2157 gives level every two seconds and may cease", []string{"TestLevelThatCeases"}},
	{"lgdt3306a leaves C/N in place when the carrier has gone", []string{"TestQuirksOfDrivers/C/N goes on in dB when the carrier has gone", "TestLabQuirks/C/N goes on without carrier"}},
	{"statistics stand still while the status goes on", []string{"TestQuirksOfDrivers/statistics stand still while the status goes on", "TestLabQuirks/statistics stand still"}},
	{"C/N 0 is missing; so is a level of 0 dBm", []string{"TestQuirksOfDrivers/0 dB means none", "TestMoreQuirks/0 dBm is what a driver says before it has measured"}},
	{"absurd values with scale decibel, and above a table's top, are left out and counted", []string{"TestContract", "TestContractOfEveryDriver", "TestLabContract", "TestNonsenseIsLoggedOnce"}},
	{"counters that advance by the read: ratios alone, one look a second", []string{"TestStatisticsOfKnownDrivers/Silicon Labs Si2168", "TestLabLikeOtherDrivers/si2168", "TestLabLikeOtherDrivers/rtl2832", "TestStatisticsOfKnownDrivers/Realtek RTL2832 (DVB-T)", "TestOrderOfReading"}},
	{"a driver that refreshes once a second at most repeats itself", []string{"TestRepeatedValues"}},
	{"block errors of the last interval alone", []string{"TestStatisticsOfKnownDrivers/Sony CXD2841ER DVB-T/T2/C demodulator", "TestLabLikeOtherDrivers/cxd2841er"}},
	{"counters may start from 0 at a tune", []string{"TestQuirksOfDrivers/counters start anew in the middle", "TestLabQuirks/counters start anew at every tune"}},
	{"more errors than blocks", []string{"TestQuirksOfDrivers/more errors than blocks"}},
	{"counters of 8 and 16 bits come round", []string{"TestMoreQuirks/an 8-bit counter tells that there were errors, not how many", "TestMoreQuirks/a 16-bit counter that may have come round between two slow looks"}},
	{"bit errors are never asked by the old call, which empties them in rtl2832", []string{"TestOrderOfReading"}},
	{"si2168's 0xffff", []string{"TestMoreQuirks/si2168's 65535 broken blocks are the firmware's"}},
	{"EAGAIN is idle", []string{"TestErrorsSayWhatToDo/asleep"}},
	{"a status takes seconds, or gives EIO or EREMOTEIO", []string{
		"TestQuirksOfDrivers/a look takes 1.8 seconds, on a clean channel", "TestQuirksOfDrivers/a look takes 1.8 seconds, and in one of them there were errors",
		"TestErrorsSayWhatToDo/status fails for ever", "TestMoreQuirks/old calls answer EREMOTEIO", "TestLabQuirks/a slow bus"}},
	{"a call hangs: its goroutine and file stay, the device is not opened again, the others go on", []string{"TestHungGoroutineEndsWithTheDevice", "TestContract", "TestLabOneTunerHangsTheOtherGoesOn"}},
}

// casesOf lists the tests of this folder, those of the lab too, each with the words that
// stand in it.
func casesOf(t *testing.T) map[string]map[string]bool {
	t.Helper()
	files, err := filepath.Glob("*_test.go")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]map[string]bool{}
	for _, f := range files {
		tree, err := parser.ParseFile(token.NewFileSet(), f, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range tree.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || fn.Recv != nil || !strings.HasPrefix(fn.Name.Name, "Test") {
				continue
			}
			words := map[string]bool{}
			ast.Inspect(fn, func(n ast.Node) bool {
				if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
					if w, err := strconv.Unquote(l.Value); err == nil {
						words[w] = true
					}
				}
				return true
			})
			out[fn.Name.Name] = words
		}
	}
	return out
}

func TestEveryRowHasItsTest(t *testing.T) {
	tests := casesOf(t)
	for _, r := range rows {
		if len(r.tests) == 0 {
			t.Errorf("no test holds: %s", r.row)
		}
		for _, name := range r.tests {
			fn, sub, isCase := strings.Cut(name, "/")
			if words, ok := tests[fn]; !ok || isCase && !words[sub] {
				t.Errorf("%s: there is no %s", r.row, name)
			}
		}
	}
}
