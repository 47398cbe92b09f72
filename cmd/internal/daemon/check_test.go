package daemon

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/source/dvb"
	"holdfast/collector/store/embedded"
	"holdfast/dashboards"
)

const checkedStick = `
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York, latitude: 43, longitude: -75 }
channels: [ { rf: 30, name: Copper } ]
tuners: [ { name: den, kind: dvb, adapter: 1, keep_out: ["19:00-22:00"] } ]
weather: [ { kind: csv, file: none.csv } ]
web: { listen: "127.0.0.1:0" }
`

// Every state of a DVB tuner is one line with the remedy, and none of the tuners that
// cannot be used is touched.
func TestCheckFindsTuners(t *testing.T) {
	t.Parallel()
	stick := dvb.Found{Adapter: 1, Node: "/dev/dvb/adapter1/frontend0", Name: "Quill 8VSB Frontend", Systems: []string{"ATSC"}, Receives: []reception.System{reception.ATSC1}}
	with := func(change func(*dvb.Found)) dvb.Discovery {
		f := stick
		change(&f)
		return dvb.Discovery{Tuners: []dvb.Found{f}}
	}
	noon := time.Date(2026, 11, 25, 17, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name  string
		found dvb.Discovery
		err   error
		now   time.Time
		level Level
		want  string // part of the tuner's line
		also  string // part of another
	}{
		{"nothing", dvb.Discovery{Problems: []dvb.Problem{{What: "there is no /dev/dvb", Remedy: "plug the tuner in"}}}, nil, noon,
			Fault, "/dev/dvb/adapter1/frontend0 is not there; see the line of the tuners", "there is no /dev/dvb; plug the tuner in"},
		{"another number", with(func(f *dvb.Found) { f.Adapter, f.State = 0, dvb.StateUsable }), nil, noon,
			Fault, "is not there; name one that is: adapter 0 frontend 0, Quill 8VSB Frontend", ""},
		{"forbidden", with(func(f *dvb.Found) { f.State, f.Remedy = dvb.StateForbidden, "add the account to the group video" }), nil, noon,
			Fault, "no permission; add the account to the group video", ""},
		{"in use", with(func(f *dvb.Found) {
			f.State, f.Holders, f.Remedy = dvb.StateInUse, []dvb.Holder{{PID: 7, Program: "recorder"}}, "stop it"
		}), nil, noon, Note, "in use by recorder (process 7)", ""},
		{"satellite", with(func(f *dvb.Found) { f.State, f.Remedy = dvb.StateUnfit, "choose another" }), nil, noon,
			Fault, "not for terrestrial television; choose another", ""},
		{"hung", with(func(f *dvb.Found) { f.State, f.Remedy = dvb.StateHung, "unplug it" }), nil, noon, Fault, "does not answer; unplug it", ""},
		{"another system", with(func(f *dvb.Found) {
			f.State, f.Systems, f.Receives = dvb.StateUsable, []string{"DVB-T"}, []reception.System{reception.DVBT}
		}), nil, noon, Fault, "receives DVB-T, and none of its channels is of such a system", ""},
		{"no firmware", dvb.Discovery{Tuners: []dvb.Found{{Adapter: 1, State: dvb.StateFailing, Remedy: "unplug it"}},
			Problems: []dvb.Problem{{What: "the kernel did not find the firmware dvb-quill.fw", Remedy: "install its package"}}}, nil, noon,
			Fault, "fails; unplug it", "did not find the firmware dvb-quill.fw; install its package"},
		{"not this system", dvb.Discovery{}, errors.New("dvb tuners need Linux"), noon, Fault, "dvb tuners need Linux", ""},
		{"keep-out", with(func(f *dvb.Found) { f.State = dvb.StateUsable }), nil, time.Date(2026, 11, 26, 0, 30, 0, 0, time.UTC),
			Note, "was left alone: these are its keep-out hours, 19:00-22:00", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			fs, err := Check(t.Context(), parse(t, checkedStick), t.TempDir(), CheckOptions{
				Now: func() time.Time { return c.now }, Discover: func(context.Context) (dvb.Discovery, error) { return c.found, c.err },
			})
			if err != nil {
				t.Fatal(err)
			}
			all := ""
			for _, f := range fs {
				all += f.Subject + ": " + f.Text + "\n"
				if strings.Contains(f.Text, "\n") {
					t.Errorf("more than one line: %q", f.Text)
				}
				if f.Subject == "tuner den" && (f.Level != c.level || !strings.Contains(f.Text, c.want)) {
					t.Errorf("%s %q, want %s %q", f.Level, f.Text, c.level, c.want)
				}
			}
			if !strings.Contains(all, "tuner den") || !strings.Contains(all, c.also) {
				t.Errorf("findings\n%s want also %q", all, c.also)
			}
		})
	}
}

// A tuner is known by its place or its name too, and one that is only looked on at is
// never taken.
func TestCheckKnowsTuners(t *testing.T) {
	t.Parallel()
	a := dvb.Found{Adapter: 0, Name: "Quill", Path: "/sys/devices/a", Receives: []reception.System{reception.ATSC1}, State: dvb.StateInUse}
	b := dvb.Found{Adapter: 1, Name: "Quill", Path: "/sys/devices/b", Receives: []reception.System{reception.ATSC1}, State: dvb.StateInUse}
	for keys, want := range map[string]string{
		"path: /sys/devices/b":                  "adapter 1 frontend 0, Quill: in use; it is visited when it is free",
		"path: /sys/devices/c":                  "the tuner at /sys/devices/c is not there; name one that is: adapter 0 frontend 0, Quill",
		"model: Quill":                          `2 tuners call themselves "Quill"; add path`,
		"model: Moss":                           `a tuner that calls itself "Moss" is not there`,
		"adapter: 0, model: Moss":               `/dev/dvb/adapter0/frontend0 calls itself "Quill", want model "Moss"`,
		"adapter: 1, riding: only":              "it is never taken, and looked on at",
		"adapter: 1, riding: allowed":           "it is looked on at meanwhile, and visited when it is free",
		"adapter: 1, keep_out: ['11:00-13:00']": "these are its keep-out hours",
	} {
		c := parse(t, "version: 1\nhome: { name: Test Lane, region: us, time_zone: UTC }\nchannels: [ { rf: 30 } ]\ntuners: [ { name: den, kind: dvb, "+keys+" } ]\nweb: { listen: '127.0.0.1:0' }\n")
		fs, err := Check(t.Context(), c, t.TempDir(), CheckOptions{
			Now:      func() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) },
			Discover: func(context.Context) (dvb.Discovery, error) { return dvb.Discovery{Tuners: []dvb.Found{a, b}}, nil },
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range fs {
			if f.Subject == "tuner den" && !strings.Contains(f.Text, want) {
				t.Errorf("%s: %q, want %q", keys, f.Text, want)
			}
		}
	}
}

// During a recording of the calendar tuners are left alone by a check too.
func TestCheckLeavesRecordingsAlone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ics := "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20261125T000000Z\r\nDTSTART:20261125T115000Z\r\nDTEND:20261125T123000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
	if err := os.WriteFile(dir+"/planned.ics", []byte(ics), 0o600); err != nil {
		t.Fatal(err)
	}
	c := parse(t, "version: 1\nhome: { name: Test Lane, region: us, time_zone: UTC }\nchannels: [ { rf: 3 } ]\ntuners: [ { name: hall-1, kind: simulated } ]\nrecordings: [ { file: "+dir+"/planned.ics } ]\nweb: { listen: '127.0.0.1:0' }\n")
	for hour, want := range map[int]string{12: "was left alone: the calendar recordings has a recording now", 15: "is received"} {
		fs, err := Check(t.Context(), c, dir, CheckOptions{Now: func() time.Time { return time.Date(2026, 11, 25, hour, 0, 0, 0, time.UTC) }})
		if err != nil {
			t.Fatal(err)
		}
		said := ""
		for _, f := range fs {
			said += f.Subject + ": " + f.Text + "\n"
		}
		if !strings.Contains(said, want) {
			t.Errorf("at %d h:\n%s want %q", hour, said, want)
		}
	}
}

// Beside a daemon nothing is discovered, and what it says stands there.
func TestCheckAsksTheDaemon(t *testing.T) {
	t.Parallel()
	fs, err := Check(t.Context(), parse(t, checkedStick), t.TempDir(), CheckOptions{
		Running: &dashboards.HealthReport{Facts: []dashboards.HealthFact{
			{Kind: "tuner", Subject: "den", Detail: "not there: unplugged"}, {Kind: "weather", Subject: "csv", OK: true},
		}},
		Discover: func(context.Context) (dvb.Discovery, error) {
			t.Error("tuners were looked for beside a daemon")
			return dvb.Discovery{}, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]Finding{}
	for _, f := range fs {
		said[f.Subject] = f
	}
	if f := said["tuner den"]; f.Level != Fault || f.Text != "the running daemon says: not there: unplugged" {
		t.Errorf("tuner: %+v", f)
	}
	if f := said["weather csv"]; f.Level != Good || !strings.HasPrefix(f.Text, "the running daemon has it: well since") {
		t.Errorf("weather: %+v", f)
	}
}

func TestCheckStoreAndClock(t *testing.T) {
	t.Parallel()
	c := parse(t, "version: 1\nhome: { name: Test Lane, time_zone: UTC }\nweb: { listen: '127.0.0.1:0' }\n")
	check := func(dir string, now time.Time) map[string]Finding {
		t.Helper()
		fs, err := Check(t.Context(), c, dir, CheckOptions{Now: func() time.Time { return now }})
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]Finding{}
		for _, f := range fs {
			out[f.Subject] = f
		}
		return out
	}
	now := time.Now()
	dir := t.TempDir()
	st, err := embedded.Open(t.Context(), dir, embedded.Options{ReserveBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	if f := check(dir, now)["store"]; f.Level != Fault || !strings.Contains(f.Text, "answers no commands") {
		t.Errorf("a store that a silent process holds: %+v", f)
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	if f := check(dir, now)["store"]; f.Level != Good || !strings.Contains(f.Text, "held by nobody") {
		t.Errorf("a closed store: %+v", f)
	}
	foreign := dir + "/readings/2019-01.000001.parquet"
	if err := os.WriteFile(foreign, []byte("none of ours"), 0o600); err != nil {
		t.Fatal(err)
	}
	if f := check(dir, now)["store"]; f.Level != Note || !strings.Contains(f.Text, foreign+" is left alone") {
		t.Errorf("a store with a file that cannot be read: %+v", f)
	}
	fs, err := Check(t.Context(), c, dir, CheckOptions{Running: &dashboards.HealthReport{Facts: []dashboards.HealthFact{
		{Kind: string(reception.HealthStore), Subject: dir, OK: true, Detail: "a file is left alone"},
	}}})
	if err != nil || !slices.ContainsFunc(fs, func(f Finding) bool {
		return f.Subject == "store" && f.Level == Note && f.Text == "a file is left alone"
	}) {
		t.Errorf("a daemon that left a file alone: %+v, %v", fs, err)
	}
	if err := os.WriteFile(dir+"/holdfast.db", []byte(strings.Repeat("torn", 300)), 0o600); err != nil {
		t.Fatal(err)
	}
	if f := check(dir, now)["store"]; f.Level != Fault || !strings.Contains(f.Text, "restore a copy") {
		t.Errorf("a torn store: %+v", f)
	}
	if f := check(dir, time.Date(1970, 1, 1, 0, 5, 0, 0, time.UTC))["clock"]; f.Level != Fault || !strings.Contains(f.Text, "1970-01-01; set its clock") {
		t.Errorf("a clock that was never set: %+v", f)
	}
}

// The plan is what the tuners' loops keep to: a lent tuner with many channels is
// visited less often than wanted.
func TestPlan(t *testing.T) {
	t.Parallel()
	p, err := MakePlan(parse(t, `
version: 1
home: { name: Test Lane, region: us, time_zone: UTC }
channels: [ { rf: 14 }, { rf: 15 }, { rf: 16 }, { rf: 17 }, { rf: 18 }, { rf: 19 } ]
tuners:
  - { name: den, kind: dvb, lent: true }
  - { name: loft, kind: dvb, adapter: 1, channels: [15], every: 2m, dwell: 10s }
`), "/data")
	if err != nil {
		t.Fatal(err)
	}
	// six channels of 7 s each (5 s, one to lock, one to settle) in a tenth of the time
	if v := p.Visits[0]; len(p.Visits) != 7 || v.EveryS != 6*7*10 || v.WantedS != 300 || v.DwellS != 5 || v.Called() != "RF\u00a014" {
		t.Errorf("%d visits, first %+v", len(p.Visits), v)
	}
	if v := p.Visits[6]; v.Tuner != "loft" || v.RF != 15 || v.EveryS != 120 || v.DwellS != 10 {
		t.Errorf("last visit %+v", v)
	}
}
