package setup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/cmd/internal/daemon"
	"holdfast/collector/source/dvb"
	"holdfast/configs"
	"holdfast/configs/zones"
	"holdfast/dashboards/words"
)

// Machine is what the dialogue needs of this machine. Zero values are the real ones.
type Machine struct {
	Discover func(context.Context) (dvb.Discovery, error)
	Scan     func(context.Context, dvb.Options, dvb.ScanOptions) ([]dvb.Scanned, error)
	Zone     string // the machine's; "" if not known
	// WeatherURL replaces the services' addresses, which hold %s for the station.
	WeatherURL map[string]string
	Now        func() time.Time
}

// Run asks and returns the config's text. path is where it will lie; tty says that
// progress may rewrite a line.
func Run(ctx context.Context, d *Dialogue, m Machine, path string, tty bool) (string, error) {
	if m.Discover == nil {
		m.Discover = dvb.Discover
	}
	if m.Scan == nil {
		m.Scan = dvb.Scan
	}
	if m.Now == nil {
		m.Now = time.Now
	}
	if m.WeatherURL == nil {
		m.WeatherURL = services
	}
	s := &session{d: d, m: m, path: path, tty: tty, draft: Draft{Latitude: math.NaN(), Longitude: math.NaN()}}
	if filepath.Dir(path) != "/etc/holdfast" { // there the service has a folder for data
		s.draft.Data = "data"
	}
	for _, step := range []func(context.Context) error{s.home, s.tuners, s.channels, s.weather} {
		if err := step(ctx); err != nil {
			return "", err
		}
	}
	text := s.draft.Render()
	if _, err := configs.Parse(path, []byte(text)); err != nil {
		return "", fmt.Errorf("the config that came out is wrong, which is a fault of this program:\n%w\n%s", err, text)
	}
	return text, nil
}

type session struct {
	d     *Dialogue
	m     Machine
	path  string
	tty   bool
	draft Draft
	stick dvb.Options // the tuner that scans
	found bool        // there is one
}

// parsed is the config of the draft so far.
func (s *session) parsed() (configs.Config, error) {
	d := s.draft
	if len(d.Channels) == 0 { // a tuner wants one
		d.Channels = []reception.Channel{{FrequencyHz: 569e6, System: reception.ATSC1}}
		d.Region = string(reception.RegionUS)
		d.Channels[0].RF = 30
	}
	return configs.Parse(s.path, []byte(d.Render()))
}

// fault tries a change of the draft and says what the config's own check has against
// it, without its place.
func (s *session) fault(change func(*Draft)) error {
	old := s.draft
	change(&s.draft)
	_, err := s.parsed()
	if err == nil {
		return nil
	}
	s.draft = old
	if fs, ok := errors.AsType[configs.Faults](err); ok {
		return errors.New(fs[0].What)
	}
	return err
}

func (s *session) home(ctx context.Context) error {
	d := &s.draft
	d.Name, d.TimeZone, d.Availability = "Home", "UTC", "99 %"
	err := s.d.ask(ctx, question{key: "name", text: "What is the home called", answer: "Home", read: func(v string) error {
		return s.fault(func(d *Draft) { d.Name = v })
	}})
	if err != nil {
		return err
	}
	zone := s.m.Zone
	err = s.d.ask(ctx, question{key: "time_zone", text: "Time zone", answer: zone, needed: true, read: func(v string) error {
		return s.fault(func(d *Draft) { d.TimeZone = v })
	}})
	if err != nil {
		return err
	}
	err = s.d.ask(ctx, question{key: "region", text: "Region: us, europe, japan, brazil or other", answer: regionOf(d.TimeZone), needed: true,
		why: "The region says which frequency an RF channel number means; Canada and Mexico have those of us. In any other, channels are given by frequency.",
		read: func(v string) error {
			v = strings.ToLower(v)
			if v == "other" {
				d.Region = ""
				return nil
			}
			if !slices.Contains(reception.Regions(), reception.Region(v)) {
				return errors.New("write us, europe, japan, brazil or other")
			}
			d.Region = v
			return nil
		}})
	if err != nil {
		return err
	}
	err = s.d.ask(ctx, question{key: "position", text: "Position, degrees north and east, such as 43.0, -75.3 (or none)", answer: "none",
		why:  "Leaves and daylight come from the position, and modelled weather too. It is rounded to a tenth of a degree, some 10 km, and stays on this machine.",
		read: s.position})
	if err != nil {
		return err
	}
	return s.d.ask(ctx, question{key: "availability", text: "For what share of all hours should channels hold", answer: "99 %", read: func(v string) error {
		return s.fault(func(d *Draft) { d.Availability = v })
	}})
}

func (s *session) position(v string) error {
	if v == "" || v == "none" {
		s.draft.Latitude, s.draft.Longitude = math.NaN(), math.NaN()
		return nil
	}
	f := strings.FieldsFunc(v, func(r rune) bool { return r == ',' || r == ' ' || r == ';' })
	if len(f) != 2 {
		return errors.New("write two numbers with points as decimal marks, such as 43.0, -75.3, or none")
	}
	var at [2]float64
	for i := range f {
		x, err := strconv.ParseFloat(f[i], 64)
		if err != nil || x-x != 0 {
			return fmt.Errorf("%q is no number; write degrees such as -75.3, west and south with a minus", f[i])
		}
		at[i] = math.Round(x*10) / 10
	}
	return s.fault(func(d *Draft) { d.Latitude, d.Longitude = at[0], at[1] })
}

// regionOf guesses a region from a time zone; "" if none is likely. Canada and Mexico
// use the raster of the United States (from memory).
func regionOf(zone string) string {
	brazil := regexp.MustCompile(`^(Brazil/|America/(Araguaina|Bahia|Belem|Boa_Vista|Campo_Grande|Cuiaba|Eirunepe|Fortaleza|Maceio|Manaus|Noronha|Porto_Velho|Recife|Rio_Branco|Santarem|Sao_Paulo)$)`)
	us := regexp.MustCompile(`^(US/|Pacific/Honolulu$|America/(Adak|Anchorage|Boise|Chicago|Denver|Detroit|Indiana/|Juneau|Kentucky/|Los_Angeles|Menominee|New_York|North_Dakota/|Phoenix|Puerto_Rico|Sitka|Toronto|Vancouver|Edmonton|Winnipeg|Halifax|Moncton|Regina|St_Johns|Mexico_City|Monterrey|Merida|Tijuana|Hermosillo|Chihuahua|Cancun))`)
	switch {
	case brazil.MatchString(zone):
		return "brazil"
	case us.MatchString(zone):
		return "us"
	case zone == "Asia/Tokyo" || zone == "Japan":
		return "japan"
	case strings.HasPrefix(zone, "Europe/"):
		return "europe"
	}
	return ""
}

// LocalZone is the machine's time zone by name; "" if it has none.
func LocalZone() string {
	if z := os.Getenv("TZ"); z != "" {
		z = strings.TrimPrefix(z, ":")
		if _, err := zones.Load(z); err == nil {
			return z
		}
	}
	if p, err := os.Readlink("/etc/localtime"); err == nil {
		if _, z, ok := strings.Cut(p, "zoneinfo/"); ok {
			return z
		}
	}
	if b, err := os.ReadFile("/etc/timezone"); err == nil {
		return strings.TrimSpace(string(b))
	}
	return ""
}

// tuners finds out what measures.
func (s *session) tuners(ctx context.Context) error {
	found, err := s.m.Discover(ctx)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	s.d.say("")
	var usable []dvb.Found
	ours := func(h dvb.Holder) bool { return h.Program == "holdfast" }
	if slices.ContainsFunc(found.Tuners, func(f dvb.Found) bool { return slices.ContainsFunc(f.Holders, ours) }) {
		s.d.say("A running holdfast has a tuner: stop it if channels are to be looked for.")
	}
	if err != nil {
		s.d.say("%v.", err)
	}
	for _, f := range found.Tuners {
		if f.State == dvb.StateUsable || f.State == dvb.StateInUse {
			usable = append(usable, f)
			s.d.say("Tuner %d: %v", len(usable), f)
		} else {
			s.d.say("Not usable: %v", f)
		}
	}
	for _, p := range found.Problems {
		s.d.say("%s; %s.", capital(p.What), p.Remedy)
	}
	head := "What may measure:"
	if len(usable) > 0 {
		head = "What else may measure:"
	}
	why := head + "\n" +
		"  device     a tuner on the network that shows its reception as JSON on a status page\n" +
		"  program    a program of yours that reads a tuner and prints lines of JSON\n" +
		"  simulated  two tuners of an invented home, to try holdfast with; nothing of it is real\n" +
		"  none       nothing: you import readings as CSV"
	text, answer := "What measures: device, program, simulated or none", "none"
	if len(usable) > 0 {
		text, answer = "Which tuners: all, their numbers, or device, program, simulated, none", "all"
	}
	var chosen []dvb.Found
	kind := ""
	err = s.d.ask(ctx, question{key: "tuners", text: text, why: why, answer: answer, read: func(v string) (err error) {
		chosen, kind, err = choose(v, usable)
		return err
	}})
	if err != nil {
		return err
	}
	switch kind {
	case "device":
		return s.device(ctx)
	case "program":
		return s.program(ctx)
	case "simulated":
		s.simulated()
		return nil
	case "none":
		return nil
	}
	lent, err := s.d.Yes(ctx, "lent", "Does the household watch or record with them",
		"A tuner that others use is held at most a tenth of the time, and given back within seconds. Linux does not tell a recorder that holdfast has the tuner: one that starts in those seconds finds it taken.", true)
	if err != nil {
		return err
	}
	for _, f := range chosen {
		name := fmt.Sprintf("dvb-%d", f.Adapter)
		if f.Frontend > 0 {
			name += fmt.Sprintf("-%d", f.Frontend)
		}
		t := Tuner{Name: name, Kind: "dvb", Adapter: f.Adapter, Frontend: f.Frontend, About: f.Name, Lent: lent}
		if len(found.Tuners) > 1 {
			t.Path = f.Path
		}
		s.draft.Tuners = append(s.draft.Tuners, t)
	}
	s.stick, s.found = chosen[0].Options(), true
	return nil
}

// choose reads which tuners are meant, or which other way.
func choose(v string, usable []dvb.Found) ([]dvb.Found, string, error) {
	v = strings.ToLower(v)
	switch v {
	case "device", "program", "simulated", "none":
		return nil, v, nil
	case "all":
		if len(usable) == 0 {
			return nil, "", errors.New("no tuner was found here; write device, program, simulated or none")
		}
		return usable, "", nil
	}
	var out []dvb.Found
	for _, w := range strings.FieldsFunc(v, func(r rune) bool { return r == ' ' || r == ',' }) {
		n, err := strconv.Atoi(w)
		if err != nil || n < 1 || n > len(usable) {
			return nil, "", fmt.Errorf("%q is none of these; write all, numbers from above, device, program, simulated or none", w)
		}
		if !slices.ContainsFunc(out, func(f dvb.Found) bool { return f.Node == usable[n-1].Node }) {
			out = append(out, usable[n-1])
		}
	}
	if len(out) == 0 {
		return nil, "", errors.New("write all, numbers from above, device, program, simulated or none")
	}
	return out, "", nil
}

// simulated makes a home of the first world's channels: those of two of its tuners.
func (s *session) simulated() {
	w := firstworld.New(1, s.m.Now())
	if s.draft.Region != string(reception.RegionUS) {
		s.d.say("The invented home has the channels of the region us, so region: us is written.")
		s.draft.Region = string(reception.RegionUS)
	}
	if s.draft.Data != "" {
		s.draft.Data = "trial-data" // so that a real tuner never follows in its tracks
	}
	for _, t := range w.Tuners()[:2] {
		var rfs []int
		for _, c := range w.Channels() {
			if slices.Contains(w.Frequencies(t.Name), c.FrequencyHz) {
				rfs = append(rfs, c.RF)
				s.draft.Channels = append(s.draft.Channels, reception.Channel{RF: c.RF, FrequencyHz: c.FrequencyHz, System: c.System, Name: c.Name, Screen: c.Screen})
			}
		}
		s.draft.Tuners = append(s.draft.Tuners, Tuner{Name: t.Name, Kind: "simulated", About: "of an invented home: nothing that it measures is real", Channels: rfs, Every: "1m"})
	}
	slices.SortFunc(s.draft.Channels, func(a, b reception.Channel) int { return a.RF - b.RF })
}

// device asks for a status page, shows what it sends and what the mapping makes of it.
func (s *session) device(ctx context.Context) error {
	t := Tuner{Name: "device", Kind: "httpjson", Mapping: "{locked: true}"}
	s.draft.Tuners = []Tuner{t}
	set := func(change func(*Tuner)) error {
		return s.fault(func(d *Draft) {
			d.Tuners = slices.Clone(d.Tuners)
			change(&d.Tuners[0])
		})
	}
	err := s.d.ask(ctx, question{key: "read_url", text: "Address of its status page", needed: true,
		why:  "Open the device's status page in a browser: what is wanted is an address that shows lock and C/N as JSON. It is asked once now.",
		read: func(v string) error { return set(func(t *Tuner) { t.ReadURL = v }) }})
	if err != nil {
		return err
	}
	err = s.d.ask(ctx, question{key: "tune_url", text: "Address that tunes it, with {frequency_hz} or {rf} in it (or none)", answer: "none",
		why: "Without one the device stays on its channel, and only that is measured.",
		read: func(v string) error {
			if v == "none" {
				v = ""
			}
			return set(func(t *Tuner) { t.TuneURL = v })
		}})
	if err != nil {
		return err
	}
	s.showDevice(ctx)
	for {
		err := s.d.ask(ctx, question{key: "mapping", text: "Mapping", needed: true,
			why:  "The mapping is a jq expression that makes of the answer an object with locked, which is needed, and cn_db, level_dbm, uncorrected_blocks and others of the reference. Such as {locked: .tuner.lock, cn_db: .tuner.snr}",
			read: func(v string) error { return set(func(t *Tuner) { t.Mapping = v }) }})
		if err != nil {
			return err
		}
		good := s.showDevice(ctx)
		delete(s.d.Given, "mapping")
		if good || !s.d.Ask {
			return nil
		}
		again, err := s.d.Yes(ctx, "", "Write another mapping", "", true)
		if err != nil || !again {
			return err
		}
	}
}

func (s *session) showDevice(ctx context.Context) bool {
	c, err := s.parsed()
	if err != nil {
		return false
	}
	lines, err := daemon.ProbeDevice(ctx, c, 0)
	for _, l := range lines {
		s.d.say("  %s", l)
	}
	if err != nil && len(lines) < 2 {
		s.d.say("  %v.", err)
	}
	return err == nil
}

func (s *session) program(ctx context.Context) error {
	s.draft.Tuners = []Tuner{{Name: "program", Kind: "command", Command: []string{"x"}}}
	return s.d.ask(ctx, question{key: "program", text: "Program and arguments", needed: true,
		why: "The program is started without a shell. It reads a line of JSON for each visit and prints one, such as {\"locked\": true, \"cn_db\": 23.4}; configs/tuner-program.yaml of the source says more.",
		read: func(v string) error {
			args := strings.Fields(v)
			if _, err := os.Stat(args[0]); err != nil && strings.ContainsRune(args[0], '/') {
				return fmt.Errorf("%s is not there; write its full path", args[0])
			}
			return s.fault(func(d *Draft) { d.Tuners = slices.Clone(d.Tuners); d.Tuners[0].Command = args })
		}})
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// channels scans, or asks.
func (s *session) channels(ctx context.Context) error {
	if len(s.draft.Channels) > 0 {
		return nil
	}
	if s.found && s.draft.Region != "" {
		if err := s.scan(ctx); err != nil {
			return err
		}
		if len(s.draft.Channels) > 0 {
			return nil
		}
	}
	example, needed := "9 Lantern, 16 Pewter, 24", len(s.draft.Tuners) > 0
	why := "The RF channels, not the numbers on the screen: the regulator's list has them, or the receiver's page of details."
	if s.draft.Region == "" {
		example = "474 Lantern, 498.5 Pewter"
		why = "The channels by the frequency of their middle in MHz. Each wants its system below channels in the config: dvbt2 is written."
	}
	answer := ""
	if !needed {
		answer = "none"
	}
	return s.d.ask(ctx, question{key: "channels", text: "Channels, such as " + example, why: why, answer: answer, needed: needed, read: s.typed})
}

// typed reads channels as people write them.
func (s *session) typed(v string) error {
	if v == "none" && len(s.draft.Tuners) == 0 {
		return nil
	}
	var out []reception.Channel
	region := reception.Region(s.draft.Region)
	for part := range strings.SplitSeq(v, ",") {
		first, name, _ := strings.Cut(strings.TrimSpace(part), " ")
		if first == "" {
			continue
		}
		c := reception.Channel{Name: strings.TrimSpace(name)}
		if region == "" {
			mhz, err := strconv.ParseFloat(first, 64)
			if err != nil || !(mhz >= 40 && mhz <= 900) {
				return fmt.Errorf("%q is no frequency; write 40 to 900 MHz, such as 474 Lantern", first)
			}
			c.FrequencyHz, c.System = int64(math.Round(mhz*1e6)), reception.DVBT2
			c.BandwidthHz = 8e6
		} else {
			rf, err := strconv.Atoi(first)
			if err != nil {
				return fmt.Errorf("%q is no RF number; write them with commas between, such as 9 Lantern, 16 Pewter, 24", first)
			}
			if c.FrequencyHz, c.BandwidthHz, err = region.CentreHz(rf); err != nil {
				return err
			}
			c.RF, c.System = rf, region.DefaultSystem()
		}
		if slices.ContainsFunc(out, func(o reception.Channel) bool { return o.FrequencyHz == c.FrequencyHz }) {
			return fmt.Errorf("%s is there twice", first)
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		return errors.New("write one at least")
	}
	return s.fault(func(d *Draft) { d.Channels = out })
}

func (s *session) scan(ctx context.Context) error {
	raster := dvb.Raster(reception.Region(s.draft.Region), nil)
	n := len(reception.Region(s.draft.Region).RFNumbers())
	each := 5 * (len(raster) / n) // s: settling, and waiting in vain for each system
	yes, err := s.d.Yes(ctx, "scan", fmt.Sprintf("Look for channels on %d frequencies now", n),
		fmt.Sprintf("It takes some %d seconds each, up to %d minutes in all, and has the tuner meanwhile. Enough to find a channel, not to judge it.", each, (n*each+59)/60), true)
	if err != nil || !yes {
		return err
	}
	begun := s.m.Now()
	results, err := s.m.Scan(ctx, s.stick, dvb.ScanOptions{Channels: raster, Region: reception.Region(s.draft.Region), Progress: func(st dvb.ScanStep) { s.progress(st, begun) }})
	s.clear()
	if ctx.Err() != nil {
		return errors.New("interrupted; nothing was written")
	}
	if err != nil {
		s.d.say("The scan did not come to its end: %v.", err)
	}
	missed := 0
	var notes []string
	for _, r := range results {
		if r.Note != "" && !slices.Contains(notes, r.Note) {
			notes = append(notes, r.Note)
		}
		if r.Locked() {
			s.draft.Channels = append(s.draft.Channels, r.Channel)
		}
		if r.Err != nil {
			missed++
		}
	}
	if len(s.draft.Channels) == 0 {
		s.d.say("No channel was found. Look indoors first: is the lead in, has an amplifier its supply? You can type channels now, and scan again later.")
		return nil
	}
	s.d.say("%s found. Those that nobody watches can be marked in the config.", capital(words.Plural(len(s.draft.Channels), "channel")))
	for _, n := range notes {
		s.d.say("Names: %s.", n)
	}
	if missed > 0 {
		s.d.say("%s could not be tried.", capital(words.Plural(missed, "frequency")))
	}
	return nil
}

// progress shows how far a scan is: what was found stays, the rest is one line.
func (s *session) progress(st dvb.ScanStep, begun time.Time) {
	if r := st.Result; r != nil && r.Locked() {
		s.clear()
		line := fmt.Sprintf("  RF %-3d %s", r.Channel.RF, strings.TrimSpace(r.Channel.Screen+" "+r.Channel.Name))
		line = strings.TrimRight(line, " ")
		if !reception.Missing(r.Reading.CNDB) {
			line += fmt.Sprintf("  C/N %s dB", words.Decimal(r.Reading.CNDB, 1))
		}
		fmt.Fprintln(s.d.Out, line)
	}
	if !s.tty {
		return
	}
	line := fmt.Sprintf("  RF %d, %d of %d", st.Channel.RF, st.Done, st.Total)
	if st.Waiting != nil {
		line += ", waiting: " + st.Waiting.Error()
	} else if st.Done > 2 {
		left := time.Duration(float64(s.m.Now().Sub(begun)) / float64(st.Done) * float64(st.Total-st.Done))
		line += fmt.Sprintf(", about %d min to go", int(left.Minutes())+1)
	}
	fmt.Fprint(s.d.Out, "\r\x1b[K"+line)
}

func (s *session) clear() {
	if s.tty {
		fmt.Fprint(s.d.Out, "\r\x1b[K")
	}
}
