package words

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

func TestChannelsText(t *testing.T) {
	nan := answer.Num(math.NaN())
	f := Facts{NowMS: now, Channels: []reception.Channel{
		{FrequencyHz: 569e6, RF: 30, System: reception.ATSC1, Name: "Kettle", Screen: "9.1", Wanted: true, Transmitter: "Bramblecote"},
		{FrequencyHz: 473e6, RF: 14, System: reception.ATSC1},
		{FrequencyHz: 474166667, System: reception.ISDBT, Layer: "A", Name: "Lantern", Wanted: true},
	}}
	last := func(hz int64, layer, tuner, installation string, v answer.Latest) answer.Channel {
		return answer.Channel{FrequencyHz: hz, Layer: layer, Tuner: tuner, Installation: installation, Latest: v}
	}
	a := answer.Answer{AsOf: answer.Time(now), Channels: []answer.Channel{
		last(569e6, "", "attic", "new", answer.Latest{Time: answer.Time(now - 60e3), Locked: true, CNDB: 20.3, MarginDB: 5.1, LevelDBm: -52.1, Identity: "0x0421"}),
		last(569e6, "", "attic", "old", answer.Latest{Time: answer.Time(now - 90*86400e3), CNDB: nan, MarginDB: nan, LevelDBm: nan}),
		last(569e6, "", "cellar", "new", answer.Latest{Time: answer.Time(now - 86400e3), Locked: true, CNDB: 14, MarginDB: -1.2, LevelDBm: nan, Identity: "0x0500", ExpectedIdentity: "0x0421", WrongIdentity: true}),
		last(474166667, "A", "attic", "", answer.Latest{Time: answer.Time(now), CNDB: nan, MarginDB: nan, LevelDBm: -93}),
		last(605e6, "", "imported", "", answer.Latest{Time: answer.Time(now), Locked: true, CNDB: nan, MarginDB: nan, LevelDBm: nan}),
	}}
	var b bytes.Buffer
	if err := ChannelsText(&b, a, f, 200); err != nil {
		t.Fatal(err)
	}
	want := `9.1 Kettle (RF 30, 569.0 MHz, atsc1, from Bramblecote)
  attic, 11:59: locked, C/N 20.3 dB, 5.1 dB above the threshold, level −52.1 dBm, stream 0x0421
  cellar, 13 April, 12:00: another transmitter, C/N 14.0 dB, 1.2 dB below the threshold, stream 0x0500 where 0x0421 is expected
RF 14 (RF 14, 473.0 MHz, atsc1, not wanted)
  not visited yet
Lantern (474.2 MHz, isdbt, layer A)
  attic, 12:00: no lock, level −93.0 dBm
605.0 MHz (605.0 MHz)
  imported, 12:00: locked
`
	if got := plain(b.String()); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	b.Reset()
	if err := ChannelsText(&b, a, f, 40); err != nil {
		t.Fatal(err)
	}
	for l := range strings.Lines(b.String()) {
		if n := width(strings.TrimSuffix(l, "\n")); n > 45 { // a figure and its unit stay together
			t.Errorf("%d columns: %q", n, l)
		}
	}
	b.Reset()
	if err := ChannelsText(&b, answer.Answer{}, Facts{}, 0); err != nil || !strings.Contains(b.String(), "names no channel") {
		t.Errorf("of nothing: %q, %v", b.String(), err)
	}
}
