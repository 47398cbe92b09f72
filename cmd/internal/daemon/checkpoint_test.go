package daemon

import (
	"crypto/sha256"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/analysis/tally"
)

// A past of two channels whose hours are good or without lock.
type pastHours struct {
	first int64
	dark  [2][]bool
}

func (p *pastHours) hour(f *answer.Fold, channel, i int) {
	h := p.first + int64(i)
	k := tally.Keyed{Key: reception.TallyKey{Series: reception.Series{Tuner: "attic", FrequencyHz: 545e6 + 6e6*int64(channel)}, Regime: reception.Regime{Scale: "dB"}, Hour: h}}
	t := &k.Tally
	t.Visits, t.DwellMS, t.StoodMS = 4, 20000, reception.HourMS
	if p.dark[channel][i] {
		t.Unlocked, t.UnlockedMS, t.ErroredUS, t.Bad = 4, 20000, 20e6, 4
		at := h * reception.HourMS
		t.Runs = []reception.BadRun{{FirstMS: at, LastMS: at + 45*60e3, BeforeMS: at - 15*60e3, AfterMS: at + reception.HourMS, GapMS: 45 * 60e3, Visits: 4, BaseVisits: 4, BaseDwellMS: 20000, BaseErroredUS: 20e6, ErroredUS: 20e6, Unlocked: 4}}
	} else {
		t.CN = []reception.Bin{{Bin: int32(190 + h%7), N: 4}}
		t.Dose = []reception.DoseBin{{Bin: int32(190 + h%7), Visits: 4}}
		t.Steady = t.CN
	}
	f.Step(answer.Fact{Tally: &k})
}

func (p *pastHours) fold() *answer.Fold {
	f := answer.New(answer.Setup{Home: reception.Home{Name: "Quill Lane", Region: reception.RegionUS, Latitude: 43, Longitude: -75}, Zone: time.UTC, Wanted: reception.DefaultWanted()})
	for c := range p.dark {
		for i := range p.dark[c] {
			p.hour(f, c, i)
		}
	}
	return f
}

// ends are the instants at which alarms are looked at.
func (p *pastHours) ends() (at []int64) {
	for d := 1; d*24 <= len(p.dark[0]); d++ {
		at = append(at, (p.first+int64(d)*24)*reception.HourMS)
	}
	return at
}

// Whatever came in between, in order or late, and whatever became of the file, alarms
// that go on from a checkpoint are those of a replay from the beginning, to the byte.
func TestCheckpointsDoNotMatter(t *testing.T) {
	t.Parallel()
	used, made := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "checkpoint")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(dir)
		file := filepath.Join(dir, checkpointFile)
		p := &pastHours{first: 480012}
		f := p.fold()
		dark := rapid.Custom(func(t *rapid.T) bool { return rapid.IntRange(0, 9).Draw(t, "dark") == 0 })
		grow := func(days int) {
			for range days * 24 {
				for c := range p.dark {
					p.dark[c] = append(p.dark[c], dark.Draw(t, "is dark"))
					p.hour(f, c, len(p.dark[c])-1)
				}
			}
		}
		grow(rapid.IntRange(1, 5).Draw(t, "days"))
		for range rapid.IntRange(1, 4).Draw(t, "rounds") {
			switch rapid.SampledFrom([]string{"later days", "late hour", "damage", "another program", "nothing"}).Draw(t, "what came") {
			case "later days":
				grow(rapid.IntRange(1, 3).Draw(t, "days"))
			case "late hour":
				c := rapid.IntRange(0, 1).Draw(t, "channel")
				i := rapid.IntRange(0, len(p.dark[c])-1).Draw(t, "hour")
				p.dark[c][i] = !p.dark[c][i]
				p.hour(f, c, i)
			case "damage":
				if b, err := os.ReadFile(file); err == nil {
					i := rapid.IntRange(0, len(b)-1).Draw(t, "byte")
					b[i] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
					if err := os.WriteFile(file, b[:rapid.IntRange(i, len(b)).Draw(t, "length")], 0o600); err != nil {
						t.Fatal(err)
					}
				}
			case "another program":
				k := newKeeper(dir, slog.New(slog.DiscardHandler))
				k.load()
				k.known.Build[3]++
				for i := range k.known.Points {
					k.known.Points[i].Replayed = []byte(`{"alarms":[{"id":"wrong"}],"state":{}}`)
				}
				if err := k.save(); err != nil {
					t.Fatal(err)
				}
			}
			at := p.ends()
			k := newKeeper(dir, slog.New(slog.DiscardHandler))
			k.every = 3
			asked := 0
			got, err := k.replay(f, at, func(now int64) answer.Answer { asked++; return f.Alarming(now) }, func() bool { return false })
			if err != nil {
				t.Fatal(err)
			}
			used, made = used+len(at)-asked, made+asked
			want := alerting.Replayed{}.Replay(at, p.fold().Alarming, nil)
			if a, b := asJSON(t, got), asJSON(t, want); a != b {
				t.Fatalf("from the checkpoint %s\nfrom the beginning %s", a, b)
			}
		}
	})
	if used < made/4 {
		t.Errorf("checkpoints saved %d of %d days: they are hardly used", used, used+made)
	}
}

func asJSON(t *rapid.T, v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// What cannot be written or read costs time and nothing else.
func TestCheckpointThatCannotBeKept(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "not there")
	k := newKeeper(dir, slog.New(slog.DiscardHandler))
	p := &pastHours{first: 480012, dark: [2][]bool{make([]bool, 96), make([]bool, 96)}}
	f := p.fold()
	if _, err := k.replay(f, p.ends(), f.Alarming, func() bool { return false }); err != nil {
		t.Errorf("a replay failed for its checkpoint: %v", err)
	}
	if build() == [sha256.Size]byte{} {
		t.Error("the program does not know itself")
	}
	if _, err := decodeCheckpoint(nil); err == nil {
		t.Error("an empty file is a checkpoint")
	}
}
