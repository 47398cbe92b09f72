package setup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/source/dvb"
	"holdfast/configs"
)

var sticks = dvb.Discovery{Tuners: []dvb.Found{
	{Adapter: 0, Node: "/dev/dvb/adapter0/frontend0", Name: "Quill 8VSB Frontend", Path: "/sys/devices/usb1/1-2", Receives: []reception.System{reception.ATSC1}, State: dvb.StateUsable},
	{Adapter: 1, Node: "/dev/dvb/adapter1/frontend0", Name: "Quill 8VSB Frontend", Path: "/sys/devices/usb1/1-3", Receives: []reception.System{reception.ATSC1}, State: dvb.StateInUse, Holders: []dvb.Holder{{PID: 7, Program: "holdfast"}}},
	{Adapter: 2, Node: "/dev/dvb/adapter2/frontend0", Name: "Moss Satellite", State: dvb.StateUnfit, Remedy: "choose another"},
}}

// air is what a made-up scan finds: RF 9 with its name, RF 24 without one.
func air(_ context.Context, _ dvb.Options, so dvb.ScanOptions) ([]dvb.Scanned, error) {
	var out []dvb.Scanned
	for i, c := range so.Channels {
		so.Progress(dvb.ScanStep{Done: i, Total: len(so.Channels), Channel: c})
		r := dvb.Scanned{Channel: c, Reading: reception.NewReading()}
		switch c.RF {
		case 9:
			r.Channel.Name, r.Channel.Screen, r.Reading.Locked, r.Reading.CNDB = "Lantern: One", "6.1", true, 24.13
		case 24:
			r.Reading.Locked = true
		case 30:
			r.Err = fmt.Errorf("taken: %w", collector.ErrBusy)
		}
		so.Progress(dvb.ScanStep{Done: i + 1, Total: len(so.Channels), Channel: c, Result: &r})
		out = append(out, r)
	}
	return out, nil
}

func machine(found dvb.Discovery) Machine {
	return Machine{
		Discover: func(context.Context) (dvb.Discovery, error) { return found, nil }, Scan: air, Zone: "America/Chicago",
		WeatherURL: map[string]string{"airport": "http://127.0.0.1:1/%s", "us": "http://127.0.0.1:1/%s", "model": "http://127.0.0.1:1/?%s"},
		Now:        func() time.Time { return time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC) },
	}
}

// typed runs the dialogue over lines that somebody types.
func typed(t *testing.T, m Machine, lines ...string) (configs.Config, string, string, error) {
	t.Helper()
	var out strings.Builder
	d := &Dialogue{In: strings.NewReader(strings.Join(lines, "\n") + "\n"), Out: &out, Ask: true}
	text, err := Run(t.Context(), d, m, "/home/me/holdfast.yaml", false)
	if err != nil {
		return configs.Config{}, "", out.String(), err
	}
	c, err := configs.Parse("/home/me/holdfast.yaml", []byte(text))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return c, text, out.String(), nil
}

// Somebody with a tuner presses return at almost every question.
func TestReturnAtEveryQuestion(t *testing.T) {
	c, text, said, err := typed(t, machine(sticks), "Plover Street", "", "", "", "", "", "", "", "")
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if h := c.Home; h.Name != "Plover Street" || h.TimeZone != "America/Chicago" || h.Region != "us" || !math.IsNaN(h.Latitude) {
		t.Errorf("home %+v", h)
	}
	if len(c.Tuners) != 2 || c.Tuners[1].Path != "/sys/devices/usb1/1-3" || c.Tuners[1].Name != "dvb-1" || c.Tuners[0].Kind != "dvb" || !c.Tuners[0].Lent {
		t.Errorf("tuners %+v", c.Tuners)
	}
	if len(c.Channels) != 2 || c.Channels[0].Name != "Lantern: One" || c.Channels[0].Screen != "6.1" || c.Channels[1].RF != 24 {
		t.Errorf("channels %+v", c.Channels)
	}
	if len(c.Weather) != 0 || c.Store.Data != "/home/me/data" || c.Wanted.Availability != 0.99 {
		t.Errorf("config %+v", c)
	}
	for _, want := range []string{"Tuner 2: adapter 1 frontend 0, Quill 8VSB Frontend: in use by holdfast", "A running holdfast has a tuner: stop it", "Not usable: adapter 2", "RF 9   6.1 Lantern: One  C/N 24.1 dB", "Two channels found.", "One frequency could not be tried."} {
		if !strings.Contains(said, want) {
			t.Errorf("it did not say %q:\n%s", want, said)
		}
	}
	if !strings.Contains(text, "kind: dvb # Quill 8VSB Frontend") {
		t.Errorf("config\n%s", text)
	}
}

// Each wrong answer is asked for again, with its reason.
func TestWrongAnswersAreAskedAgain(t *testing.T) {
	c, _, said, err := typed(t, machine(dvb.Discovery{Problems: []dvb.Problem{{What: "there is no /dev/dvb", Remedy: "plug it in"}}}),
		"${env:HOME}", "Fennel Row", // name
		"Mars/North", "?", "Europe/Dublin", // zone
		"eire", "", // region
		"53", "53,north", "153, -7", "53.2461, -7.08", // position
		"100 %", "high", "99.5 %", // availability
		"all", "7", "program", // tuners
		"/nowhere/tuner-lines --fast", "tuner-lines --device 2", // program
		"97", "27, 27", "twenty", ",", "27 Quay, 30, 33 Mill Race", // channels
		"rain", "airport", "EI", "xqla", "far", "12 km", "perhaps", "no") // weather
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if c.Home.Name != "Fennel Row" || c.Home.Latitude != 53.2 || c.Home.Longitude != -7.1 || c.Home.Region != "europe" || c.Wanted.Availability != 0.995 {
		t.Errorf("home %+v, wanted %+v", c.Home, c.Wanted)
	}
	if len(c.Tuners) != 1 || c.Tuners[0].Kind != "command" || len(c.Tuners[0].Command) != 3 || len(c.Channels) != 3 || c.Channels[2].Name != "Mill Race" || c.Channels[0].System != "dvbt2" {
		t.Errorf("tuners %+v, channels %+v", c.Tuners, c.Channels)
	}
	if len(c.Weather) != 0 {
		t.Errorf("weather %+v without consent", c.Weather)
	}
	for _, want := range []string{
		"There is no /dev/dvb; plug it in.",
		"references such as ${env:NAME} work in secrets alone; write the value.",
		`"Mars/North" is no time zone; write one such as America/New_York.`,
		"Wanted: such as America/New_York.",
		"write us, europe, japan, brazil or other.",
		"write two numbers with points as decimal marks", `"north" is no number`, "153 is outside the range; write -90 to 90 degrees north.",
		"100 % cannot be asked for; write 50 % to 99.999 %.", `"high" is not a share`,
		"no tuner was found here; write device", `"7" is none of these`,
		"/nowhere/tuner-lines is not there; write its full path.",
		`RF 97 is not in the raster of region "europe".`, "27 is there twice.", `"twenty" is no RF number`, "write one at least.",
		"write airport, us, model, other or none.", `"EI" cannot be one`, "write a number of kilometres", "write yes or no.",
		"holdfast would ask 127.0.0.1:1 now", "No weather is written.",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it did not say %q", want)
		}
	}
	if t.Failed() {
		t.Log(said)
	}
}

// Consent given, the weather is read once and shown; one that does not answer is
// written, with the fault.
func TestWeatherByConsent(t *testing.T) {
	asked := 0
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked++
		at := time.Now().UTC().Add(-51 * time.Minute).Truncate(time.Hour).Add(51 * time.Minute)
		fmt.Fprintf(w, "%s\n%s %sZ 24008KT 10SM FEW050 05/01 A3012\n", at.Format("2006/01/02 15:04"), strings.TrimPrefix(r.URL.Path, "/"), at.Format("021504"))
	}))
	defer srv.Close()
	m := machine(dvb.Discovery{})
	m.WeatherURL["airport"] = srv.URL + "/%s"
	c, text, said, err := typed(t, m, "", "", "", "43.04 -75.31", "", "none", "none", "airport", "XQLA", "11", "yes")
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if len(c.Weather) != 1 || c.Weather[0].Kind != "metar" || c.Weather[0].Station != "XQLA" || c.Weather[0].DistanceKM != 11 || asked != 1 {
		t.Errorf("weather %+v, asked %d times", c.Weather, asked)
	}
	if !strings.Contains(said, "Good: one row, the last of") || !strings.Contains(said, "5.0\u00a0°C") {
		t.Errorf("it said\n%s\n%s", said, text)
	}
	c, _, said, err = typed(t, machine(dvb.Discovery{}), "", "", "", "43.04 -75.31", "", "none", "none", "model", "yes")
	if err != nil || len(c.Weather) != 1 || c.Weather[0].Kind != "open-meteo" || !strings.Contains(c.Weather[0].URL.Reveal(), "latitude=43&longitude=-75.3") {
		t.Errorf("weather %+v, %v", c.Weather, err)
	}
	if !strings.Contains(said, "Fault: ") || !strings.Contains(said, "It is written all the same") {
		t.Errorf("it said\n%s", said)
	}
	if _, _, said, err := typed(t, machine(dvb.Discovery{}), "", "", "", "none", "", "none", "none", "model", "none"); err != nil || !strings.Contains(said, "modelled hours want a position") {
		t.Errorf("%v\n%s", err, said)
	}
}

// The status page is shown, and what each mapping makes of it, until one is right.
func TestDevice(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprint(w, `{"front": {"lock": true, "snr": 287}}`)
	}))
	defer srv.Close()
	c, _, said, err := typed(t, machine(dvb.Discovery{}), "", "", "", "", "", "device",
		"file:///etc/passwd", srv.URL+"/status.json", "http://192.0.2.7/{freq}", "none",
		"{locked: .front.locked", "{locked: .front.locked}", "yes", "{locked: .front.lock, cn_db: (.front.snr / 10)}",
		"30 Copper", "none")
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	if len(c.Tuners) != 1 || c.Tuners[0].Kind != "httpjson" || c.Tuners[0].ReadURL.Reveal() != srv.URL+"/status.json" || !strings.Contains(string(c.Tuners[0].Mapping), "/ 10") {
		t.Errorf("tuners %+v", c.Tuners)
	}
	for _, want := range []string{
		"is no web address", "placeholder {freq} is not known", "unexpected EOF",
		`the device sent: {"front":{"lock":true,"snr":287}}`, `the mapping made of it: {"locked":null}`, "locked is null", `the mapping made of it: {"cn_db":28.7,"locked":true}`,
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it did not say %q:\n%s", want, said)
		}
	}
}

// Nobody to ask: answers and defaults are taken, and what is missing or wrong is named.
func TestNobodyToAsk(t *testing.T) {
	run := func(m Machine, a Answers) (string, error) {
		return Run(t.Context(), &Dialogue{Out: io.Discard, Given: a}, m, "/etc/holdfast/holdfast.yaml", false)
	}
	text, err := run(machine(dvb.Discovery{}), Answers{"region": "us", "tuners": "simulated"})
	if err != nil {
		t.Fatal(err)
	}
	c, err := configs.Parse("h.yaml", []byte(text))
	if err != nil || len(c.Tuners) != 2 || c.Tuners[0].Kind != "simulated" || len(c.Channels) != 6 || c.Store.Data != "" {
		t.Errorf("%+v, %v", c, err)
	}
	m := machine(dvb.Discovery{})
	m.Zone = ""
	for _, x := range []struct {
		m    Machine
		a    Answers
		want string
	}{
		{m, Answers{}, "nobody to ask: give an answer to time_zone"},
		{m, Answers{"time_zone": "Africa/Cairo"}, "nobody to ask: give an answer to region"},
		{m, Answers{"time_zone": "Cairo"}, `answer time_zone: "Cairo": "Cairo" is no time zone`},
		{machine(dvb.Discovery{}), Answers{"tuners": "program", "program": "x"}, "nobody to ask: give an answer to channels"},
		{machine(dvb.Discovery{}), Answers{"tuners": "all"}, `answer tuners: "all": no tuner was found here`},
	} {
		if _, err := run(x.m, x.a); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%v: %v, want %s", x.a, err, x.want)
		}
	}
	if _, err := run(m, Answers{"time_zone": "Africa/Cairo", "region": "other", "tuners": "program", "program": "x", "channels": "474 Palm, 498.5"}); err != nil {
		t.Errorf("a home without a raster: %v", err)
	}
	if err := (Answers{"nmae": "x"}).Check(); err == nil || !strings.Contains(err.Error(), `no question "nmae"; they are overwrite, name`) {
		t.Errorf("an answer to no question: %v", err)
	}
}

func TestReadAnswers(t *testing.T) {
	a, err := ReadAnswers(strings.NewReader("region: us\nposition: 43.0, -75.3\nlent: yes\n"))
	if err != nil || a["position"] != "43.0, -75.3" || a["lent"] != "yes" {
		t.Errorf("%v, %v", a, err)
	}
	for text, want := range map[string]string{
		"- region": "no group of keys", "region: [us]": "line 1: region wants one value", "a: b: c": "not YAML",
	} {
		if _, err := ReadAnswers(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}

func TestEndOfInput(t *testing.T) {
	if _, _, _, err := typed(t, machine(sticks), "Home"); err == nil || !strings.Contains(err.Error(), "nothing was written") {
		t.Errorf("input that ends: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	in, out := io.Pipe()
	defer out.Close()
	cancel()
	_, err := Run(ctx, &Dialogue{In: in, Out: io.Discard, Ask: true}, machine(sticks), "h.yaml", false)
	if err == nil || !strings.Contains(err.Error(), "interrupted; nothing was written") {
		t.Errorf("interrupted: %v", err)
	}
}

// Whatever people call things, the config says it back.
func TestRenderIsReadBack(t *testing.T) {
	name := rapid.StringMatching(`[\PC]{0,20}[\pL\pN#:"'{}\[\],&*!|>%@\\-]`)
	rapid.Check(t, func(t *rapid.T) {
		d := Draft{
			Name: name.Draw(t, "home"), Region: "us", TimeZone: "UTC", Availability: "99.5 %", Latitude: math.NaN(), Longitude: math.NaN(),
			Channels: []reception.Channel{{RF: 9, FrequencyHz: 189e6, System: reception.ATSC1, Name: name.Draw(t, "channel"), Screen: name.Draw(t, "screen")}},
			Tuners:   []Tuner{{Name: "a", Kind: "command", About: name.Draw(t, "about"), Command: []string{"x", name.Draw(t, "argument")}}},
		}
		c, err := configs.Parse("h.yaml", []byte(d.Render()))
		if err != nil {
			if fs, ok := errors.AsType[configs.Faults](err); ok && strings.Contains(fs[0].What, "is empty") || strings.Contains(fs[0].What, "${env") {
				t.Skip("not a name")
			}
			t.Fatalf("%v\n%s", err, d.Render())
		}
		same := func(what, got, want string) {
			if got != strings.TrimSpace(want) {
				t.Errorf("%s %q, want %q", what, got, want)
			}
		}
		same("home", c.Home.Name, d.Name)
		same("channel", c.Channels[0].Name, d.Channels[0].Name)
		same("screen", c.Channels[0].Screen, d.Channels[0].Screen)
		same("argument", c.Tuners[0].Command[1], d.Tuners[0].Command[1])
	})
}

func TestRegionOf(t *testing.T) {
	for zone, want := range map[string]string{
		"America/New_York": "us", "America/Indiana/Knox": "us", "America/Toronto": "us", "America/Sao_Paulo": "brazil", "Asia/Tokyo": "japan",
		"Europe/Dublin": "europe", "America/Lima": "", "Africa/Cairo": "", "UTC": "", "": "",
	} {
		if got := regionOf(zone); got != want {
			t.Errorf("regionOf(%q) = %q, want %q", zone, got, want)
		}
		if _, err := time.LoadLocation(zone); err != nil {
			t.Errorf("%s is no zone: %v", zone, err)
		}
	}
}
