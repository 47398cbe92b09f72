package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector"
	"holdfast/collector/calendar"
	"holdfast/collector/source/dvb"
	"holdfast/collector/source/httpjson"
	"holdfast/collector/store/embedded"
	"holdfast/collector/weather"
	"holdfast/configs"
	"holdfast/dashboards"
	"holdfast/dashboards/words"
)

// A Finding is one thing that a check looked at: what is so and, where it is not well,
// what to do, in one line.
type Finding struct {
	Subject string   `json:"subject"` // such as "tuner attic"
	Level   Level    `json:"level"`
	Text    string   `json:"text"`
	Detail  []string `json:"detail,omitempty"` // lines for who wants to know more
}

// Level is how well a thing is.
type Level string

// Levels. A fault is what will not work; a note is worth knowing.
const (
	Good  Level = "good"
	Note  Level = "note"
	Fault Level = "fault"
)

// CheckOptions of a Check. Zero values are the defaults.
type CheckOptions struct {
	Now func() time.Time
	// Running is what the daemon says that has the data folder. Then nothing is touched
	// that it has.
	Running *dashboards.HealthReport
	// Discover lists the DVB tuners of this machine; dvb.Discover if nil.
	Discover func(context.Context) (dvb.Discovery, error)
}

const (
	// tries is how many channels a tuner is tried on until one is received: some may be
	// dark for good.
	tries = 3
	// tryFor is how long such a try measures.
	tryFor = time.Second
)

// Check looks whether a config would run: at its tuners, its weather, its store, its
// page. It stores nothing and leaves nothing behind. An error is that of ctx.
func Check(ctx context.Context, c configs.Config, dir string, o CheckOptions) ([]Finding, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Discover == nil {
		o.Discover = dvb.Discover
	}
	s, err := setupFrom(c)
	if err != nil {
		return nil, err
	}
	k := &checker{config: c, setup: s, dir: dir, o: o}
	out := k.home()
	parts := make([][]Finding, len(c.Tuners)+len(c.Weather)+1)
	var g errgroup.Group
	if slices.ContainsFunc(c.Tuners, func(t configs.Tuner) bool { return t.Kind == "dvb" }) && o.Running == nil {
		k.found, k.foundErr = o.Discover(ctx)
		out = append(out, k.machine()...)
	}
	if o.Running == nil {
		out = append(out, k.recordings(ctx)...)
	}
	for i, t := range c.Tuners {
		g.Go(func() error { parts[i] = k.tuner(ctx, t); return nil })
	}
	for i, w := range c.Weather {
		g.Go(func() error { parts[len(c.Tuners)+i] = []Finding{k.weather(ctx, w)}; return nil })
	}
	g.Go(func() error { parts[len(parts)-1] = k.place(ctx); return nil })
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for _, p := range parts {
		out = append(out, p...)
	}
	return out, ctx.Err()
}

type checker struct {
	config   configs.Config
	setup    setup
	dir      string
	o        CheckOptions
	found    dvb.Discovery
	foundErr error

	calendars map[string]*calendar.Calendar // of recordings, by name, as they were read
}

// home says what the config alone lets one know.
func (k *checker) home() []Finding {
	var out []Finding
	note := func(subject, text string) {
		out = append(out, Finding{Subject: subject, Level: Note, Text: text})
	}
	for _, w := range k.config.Warnings {
		note("config", w)
	}
	if len(k.config.Tuners) == 0 {
		note("tuners", "there are none: a home that imports alone fill; holdfast setup finds tuners")
	}
	if math.IsNaN(k.config.Home.Latitude) {
		note("home", "has no position, so nothing is known of leaves and daylight; add home.latitude and home.longitude, a tenth of a degree is enough")
	}
	if len(k.config.Weather) == 0 {
		note("weather", "there is none, so nothing can be said about wind, rain and leaves; add a source below weather")
	}
	var idle []string
	for _, ch := range k.setup.channels {
		visits := func(t configs.Tuner) bool {
			return slices.ContainsFunc(k.setup.channelsOf(t), func(c reception.Channel) bool { return c.FrequencyHz == ch.FrequencyHz && c.Layer == ch.Layer })
		}
		if len(k.config.Tuners) > 0 && !slices.ContainsFunc(k.config.Tuners, visits) {
			idle = append(idle, Called(ch))
		}
	}
	if len(idle) > 0 {
		note("channels", "no tuner visits "+strings.Join(idle, ", ")+"; name it below a tuner's channels, or remove it")
	}
	return out
}

// machine says what the machine lacks that no tuner can say.
func (k *checker) machine() []Finding {
	var out []Finding
	level := Note // what is there may do
	if len(k.found.Tuners) == 0 {
		level = Fault
	}
	for _, p := range k.found.Problems {
		out = append(out, Finding{Subject: "tuners", Level: level, Text: p.What + "; " + p.Remedy})
	}
	return out
}

// recordings reads each calendar once: tuners are left alone by it here too.
func (k *checker) recordings(ctx context.Context) []Finding {
	k.calendars = map[string]*calendar.Calendar{}
	var out []Finding
	for _, r := range k.config.Recordings {
		f := Finding{Subject: "recordings " + r.Name, Level: Good}
		c, err := calendar.New(calendar.Options{Name: r.Name, File: r.File, URL: r.URL.Reveal(), Before: r.Before, After: r.After, Zone: k.setup.zone, Now: k.o.Now})
		if err == nil {
			k.calendars[r.Name] = c
			err = c.Update(ctx)
		}
		switch now := k.o.Now(); {
		case err != nil:
			f.Level, f.Text = Fault, oneLine(err)
		case c.Reserved(now, now):
			f.Text = "was read; there is a recording now"
		default:
			f.Text = "was read; there is no recording now"
		}
		out = append(out, f)
	}
	return out
}

// told finds what the running daemon says of a thing.
func (k *checker) told(kind reception.HealthKind, subject string) (dashboards.HealthFact, bool) {
	for _, f := range k.o.Running.Facts {
		if f.Kind == string(kind) && f.Subject == subject {
			return f, true
		}
	}
	return dashboards.HealthFact{}, false
}

func (k *checker) askDaemon(kind reception.HealthKind, name, subject string) Finding {
	f, ok := k.told(kind, name)
	switch {
	case !ok:
		return Finding{subject, Note, "the running daemon does not have it; it may not have looked yet, or the config was changed since: reload it (kill -HUP)", nil}
	case !f.OK:
		return Finding{subject, Fault, "the running daemon says: " + f.Detail, nil}
	case f.Detail == "":
		f.Detail = "well"
	}
	since := time.UnixMilli(int64(f.Since)).In(k.setup.zone).Format("Mon 2 January, 15:04")
	return Finding{subject, Good, fmt.Sprintf("the running daemon has it: %s since %s", f.Detail, since), nil}
}

// tuner tries a tuner on some of its channels, as a visit would.
func (k *checker) tuner(ctx context.Context, t configs.Tuner) []Finding {
	subject := "tuner " + t.Name
	if k.o.Running != nil {
		return []Finding{k.askDaemon(reception.HealthTuner, t.Name, subject)}
	}
	for _, h := range t.KeepOut {
		if (collector.Hours{From: h.From, To: h.To, Location: k.setup.zone}).Hold(k.o.Now()) {
			return []Finding{{subject, Note, fmt.Sprintf("was left alone: these are its keep-out hours, %s; check again after them", h), nil}}
		}
	}
	for _, r := range k.config.Recordings {
		if c := k.calendars[r.Name]; c != nil && (len(r.Tuners) == 0 || slices.Contains(r.Tuners, t.Name)) && c.Reserved(k.o.Now(), k.o.Now()) {
			return []Finding{{subject, Note, fmt.Sprintf("was left alone: the calendar %s has a recording now; check again after it", r.Name), nil}}
		}
	}
	about := ""
	if t.Kind == "dvb" {
		f, lack := k.frontend(t)
		switch {
		case lack != "":
			return []Finding{{subject, Fault, lack, nil}}
		case f.State != dvb.StateUsable && f.State != dvb.StateInUse:
			return []Finding{{subject, Fault, f.String(), nil}}
		case t.Riding == "only":
			return []Finding{{subject, Good, f.String() + "; it is never taken, and looked on at while another program has it", nil}}
		case f.State == dvb.StateInUse && t.Riding == "allowed":
			return []Finding{{subject, Good, f.String() + "; it is looked on at meanwhile, and visited when it is free", nil}}
		case f.State == dvb.StateInUse:
			return []Finding{{subject, Note, f.String() + "; it is visited when it is free", nil}}
		}
		if none := k.cannotReceive(t, f); none != "" {
			return []Finding{{subject, Fault, none, nil}}
		}
		about = f.Name + "; "
	}
	said := &lines{}
	src, err := openSource(ctx, t, sourceParts{setup: k.setup, now: k.o.Now, log: slog.New(said), hurry: 10,
		world: func(seed int) *firstworld.World { return firstworld.New(uint64(seed), k.o.Now()) }})
	if err != nil {
		return []Finding{{subject, Fault, oneLine(err), said.take()}}
	}
	f := Finding{Level: Good, Text: t.File + " has readings to play"}
	if t.Kind != "replay" {
		f = k.try(ctx, t, src)
	}
	if err := src.Close(); err != nil {
		f.Detail = append(f.Detail, oneLine(err))
	}
	f.Subject, f.Text = subject, about+f.Text
	f.Detail = append(f.Detail, said.take()...) // closed: all that it says is said
	return []Finding{f}
}

// frontend finds the tuner that the config means, or says in a line why not.
func (k *checker) frontend(t configs.Tuner) (f dvb.Found, lack string) {
	var is func(dvb.Found) bool
	what := fmt.Sprintf("/dev/dvb/adapter%d/frontend%d", t.Adapter, t.Frontend)
	switch {
	case t.Path != "":
		what = "the tuner at " + t.Path
		is = func(f dvb.Found) bool { return f.Path == t.Path && f.Frontend == t.Frontend }
	case t.Adapter >= 0:
		is = func(f dvb.Found) bool { return f.Adapter == t.Adapter && f.Frontend == t.Frontend }
	default:
		what = fmt.Sprintf("a tuner that calls itself %q", t.Model)
		is = func(f dvb.Found) bool { return f.Name == t.Model && f.Frontend == t.Frontend }
	}
	var of []dvb.Found
	var there []string
	for _, f := range k.found.Tuners {
		there = append(there, f.String())
		if is(f) {
			of = append(of, f)
		}
	}
	switch {
	case k.foundErr != nil:
		return f, oneLine(k.foundErr)
	case len(of) == 0 && len(there) == 0:
		return f, what + " is not there; see the line of the tuners"
	case len(of) == 0:
		return f, what + " is not there; name one that is: " + strings.Join(there, " | ")
	case len(of) > 1:
		return f, fmt.Sprintf("%d tuners call themselves %q; add path, as holdfast report-tuner prints it", len(of), t.Model)
	case t.Model != "" && of[0].Name != t.Model && of[0].Name != "":
		return f, fmt.Sprintf("%s calls itself %q, want model %q; correct model, or name another tuner", what, of[0].Name, t.Model)
	}
	return of[0], ""
}

// cannotReceive says if none of a tuner's channels is of a system that it has.
func (k *checker) cannotReceive(t configs.Tuner, f dvb.Found) string {
	for _, ch := range k.setup.channelsOf(t) {
		if slices.Contains(f.Receives, ch.System) {
			return ""
		}
	}
	return fmt.Sprintf("%s receives %s, and none of its channels is of such a system; choose another tuner, or correct system of the channels", f.Name, strings.Join(f.Systems, ", "))
}

// try visits channels until one is received.
func (k *checker) try(ctx context.Context, t configs.Tuner, src collector.Source) Finding {
	var dark []string
	var detail []string
	for i, ch := range k.setup.channelsOf(t) {
		v := collector.Visit{Channel: ch, Dwell: tryFor, LockWait: 5 * time.Second, Kind: reception.VisitExtra, At: k.o.Now().Truncate(time.Second)}
		if t.Lent {
			v.LockWait = 2 * time.Second
		}
		if i == tries {
			break
		}
		r, err := visitWithin(ctx, src, v)
		if h, ok := src.(*httpjson.Source); ok && i == 0 {
			detail = both(h.Probe(ctx, v)) // after the visit, which tunes
		}
		switch {
		case errors.Is(err, collector.ErrChannel):
			return Finding{Level: Fault, Text: oneLine(err), Detail: detail}
		case errors.Is(err, collector.ErrBusy):
			return Finding{Level: Note, Text: oneLine(err) + "; somebody watches or records: it is visited when it is free", Detail: detail}
		case err != nil:
			return Finding{Level: Fault, Text: remedied(t.Kind, oneLine(err)), Detail: detail}
		case r.Locked:
			return Finding{Level: Good, Text: received(ch, r), Detail: detail}
		}
		dark = append(dark, Called(ch))
	}
	return Finding{Level: Note, Text: "works, and received nothing on " + strings.Join(dark, ", ") +
		"; look whether its lead is in and the RF numbers are right", Detail: detail}
}

// visitWithin bounds a visit as the tuner's loop does.
func visitWithin(ctx context.Context, src collector.Source, v collector.Visit) (reception.Reading, error) {
	limited, cancel := context.WithTimeout(ctx, v.LockWait+v.Dwell+10*time.Second)
	defer cancel()
	return src.Visit(limited, v)
}

func received(ch reception.Channel, r reception.Reading) string {
	text := Called(ch) + " is received"
	switch {
	case !reception.Missing(r.CNDB):
		text += ", C/N " + words.DB(r.CNDB)
	case !reception.Missing(r.QualityPct):
		text += ", quality " + words.Decimal(r.QualityPct, 0) + words.Nbsp + "% of its own scale"
	default:
		text += ", without a figure for how well"
	}
	if !reception.Missing(r.LevelDBm) {
		text += ", level " + words.Decimal(r.LevelDBm, 1) + words.Nbsp + "dBm"
	}
	return text
}

// remedied adds what to do where the source has not said it.
func remedied(kind, text string) string {
	if strings.Contains(text, ";") {
		return text
	}
	switch kind {
	case "httpjson":
		return text + "; open the address of read_url in a browser, and see whether the device is on and the mapping right"
	case "command":
		return text + "; run the program by hand, write it a line with a visit, and see what it prints"
	}
	return text + "; unplug the tuner and plug it in again"
}

func both(p httpjson.Probed) []string {
	var out []string
	if p.Sent != "" {
		out = append(out, "the device sent: "+shorten(p.Sent))
	}
	if p.Made != "" {
		out = append(out, "the mapping made of it: "+shorten(p.Made))
	}
	if p.Err != nil && p.Sent != "" {
		out = append(out, "which cannot be used: "+oneLine(p.Err))
	}
	return out
}

// shorten bounds what a device may say.
func shorten(s string) string {
	const most = 1000
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + " ... and more"
	}
	return s
}

// Called is a channel as people call it: "RF 26 Orchard".
func Called(ch reception.Channel) string {
	name := fmt.Sprintf("RF%s%d", words.Nbsp, ch.RF)
	if ch.RF == 0 {
		name = words.Decimal(float64(ch.FrequencyHz)/1e6, 3) + words.Nbsp + "MHz"
	}
	if ch.Layer != "" {
		name += " layer " + ch.Layer
	}
	return strings.TrimSpace(name + " " + ch.Name)
}

// weather reads a source once.
func (k *checker) weather(ctx context.Context, w configs.Weather) Finding {
	subject := "weather " + w.Name
	if k.o.Running != nil {
		return k.askDaemon(reception.HealthWeather, w.Name, subject)
	}
	src, err := weatherKinds[w.Kind](w)
	if err != nil {
		return Finding{subject, Fault, oneLine(err), nil}
	}
	rows, err := src.Observe(ctx)
	if err != nil {
		return Finding{subject, Fault, strings.TrimPrefix(oneLine(err), "weather "+w.Name+" "), nil}
	}
	now := k.o.Now()
	// not a model's hours to come
	past := slices.DeleteFunc(slices.Clone(rows), func(r reception.Weather) bool { return r.Time-r.IntervalS*1000 > now.UnixMilli() })
	if len(past) == 0 {
		return Finding{subject, Note, fmt.Sprintf("%v was read, and holds no whole hour yet; check again in an hour, or look at what it sends", src), nil}
	}
	_, notes := weather.Check(past)
	last := past[len(past)-1]
	age := max(0, now.Sub(time.UnixMilli(last.Time)))
	f := Finding{Subject: subject, Level: Good, Detail: notes}
	f.Text = fmt.Sprintf("%s, the last of %s (%s ago)%s: %s", words.Plural(len(past), "row"),
		time.UnixMilli(last.Time).In(k.setup.zone).Format("Mon 2 January, 15:04"), span(age), farAway(w), values(last))
	if odd := weather.Units(rows, nil); len(odd) > 0 {
		f.Level, f.Text = Fault, strings.Join(odd, "; ")
	} else if age > silentWeather {
		f.Level, f.Text = Fault, f.Text+"; too old: look whether its file or address still gets new weather"
	} else if w.DistanceKM > farKM {
		f.Level, f.Text = Note, f.Text+fmt.Sprintf("; over %d km away: a shower there is none here; a nearer source is better", farKM)
	}
	return f
}

// farKM is where weather is another place's: showers are some 10 km wide (common
// practice, no published source).
const farKM = 60

func farAway(w configs.Weather) string {
	if math.IsNaN(w.DistanceKM) {
		return ", distance not given"
	}
	return ", " + words.Decimal(w.DistanceKM, 0) + words.Nbsp + "km away"
}

func values(w reception.Weather) string {
	var out []string
	say := func(v float64, decimals int, unit string) {
		if !reception.Missing(v) {
			out = append(out, words.Decimal(v, decimals)+words.Nbsp+unit)
		}
	}
	say(w.TempC, 1, "°C")
	say(w.PressureHPa, 0, "hPa")
	say(w.WindMPS, 1, "m/s wind")
	say(w.GustMPS, 1, "m/s gusts")
	say(w.RainMMPerHour, 1, "mm/h rain")
	if len(out) == 0 {
		return "no value in it"
	}
	return strings.Join(out, ", ")
}

// span says a time span in one unit.
func span(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// place looks at the data folder, the clock and the page's address.
func (k *checker) place(ctx context.Context) []Finding {
	out := []Finding{k.store(ctx)}
	if free := diskHealth(existing(k.dir), k.o.Now()); !free.OK {
		out = append(out, Finding{"disk", Fault, free.Detail, nil})
	}
	if now := k.o.Now(); now.UnixMilli() < reception.EarliestMS || now.Before(builtAfter) {
		out = append(out, Finding{"clock", Fault, fmt.Sprintf("this machine thinks it is %s; set its clock, or let it be set over the network (timedatectl set-ntp true)", now.Format(time.DateOnly)), nil})
	}
	page := Finding{"page", Good, "", nil}
	switch {
	case k.o.Running != nil && k.o.Running.Ready != "":
		page.Level, page.Text = Note, "the running daemon is not ready: "+k.o.Running.Ready
	case k.o.Running != nil:
		page.Text = "the running daemon serves it"
	default:
		l, err := net.Listen("tcp", k.config.Web.Listen)
		if err != nil {
			page.Level, page.Text = Fault, fmt.Sprintf("nothing can listen on web.listen %s: %v; choose another port, or stop what has it", k.config.Web.Listen, errors.Unwrap(err))
			break
		}
		page.Text = "will be at " + pagesURL(l.Addr(), k.config.Web)
		_ = l.Close()
	}
	return append(out, page)
}

// builtAfter: no machine whose clock is right runs this program before.
var builtAfter = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// existing is a folder, or the nearest one above it that is there.
func existing(dir string) string {
	for {
		if _, err := os.Stat(dir); err == nil || dir == filepath.Dir(dir) {
			return dir
		}
		dir = filepath.Dir(dir)
	}
}

func (k *checker) store(ctx context.Context) Finding {
	f := Finding{Subject: "store", Level: Fault}
	dir := existing(k.dir)
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		f.Text = fmt.Sprintf("%s is no folder; name another with --data or store.data", dir)
		return f
	}
	if err := writable(dir); err != nil {
		f.Text = fmt.Sprintf("%s: %v; make it writable for the account that runs holdfast, or name another with --data or store.data", dir, err)
		return f
	}
	free := "free space not known"
	if n, err := freeSpace(dir); err == nil {
		free = words.Decimal(float64(n)/1e9, 1) + words.Nbsp + "GB free"
	}
	l, err := embedded.Peek(ctx, k.dir)
	switch {
	case err != nil:
		f.Text = fmt.Sprintf("%s: %v; restore a copy, or name another folder", k.dir, err)
	case !l.There:
		f.Level, f.Text = Good, fmt.Sprintf("%s has no store yet: run makes it; %s", k.dir, free)
	case k.o.Running != nil:
		f.Level, f.Text = Good, fmt.Sprintf("%s, %s; the running daemon holds it (version %s); %s", k.dir, size(l.Bytes), k.o.Running.Version, free)
		if s, ok := k.told(reception.HealthStore, k.dir); ok && !s.OK {
			f.Level, f.Text = Fault, s.Detail
		} else if s.Detail != "" {
			f.Level, f.Text = Note, s.Detail
		}
	case l.Held:
		f.Text = fmt.Sprintf("%s is held by another holdfast process that answers no commands; if it is at long work, such as an import, wait for its end", k.dir)
	case l.Version > l.Newest:
		f.Text = fmt.Sprintf("%s was written by a newer program (form %d, this one knows %d); install the newer program", k.dir, l.Version, l.Newest)
	default:
		form := ""
		if l.Version > 0 {
			form = fmt.Sprintf(", form %d of %d", l.Version, l.Newest)
		}
		f.Level, f.Text = Good, fmt.Sprintf("%s, %s%s, held by nobody; %s", k.dir, size(l.Bytes), form, free)
		if len(l.Problems) > 0 {
			f.Level, f.Text = Note, strings.Join(l.Problems, "; ")
		}
	}
	return f
}

func size(n int64) string {
	if n < 10e6 {
		return words.Decimal(float64(n)/1e6, 1) + words.Nbsp + "MB"
	}
	return words.Decimal(float64(n)/1e6, 0) + words.Nbsp + "MB"
}

// lines is a log that keeps what a source says, for the detail of its finding.
type lines struct {
	mu   sync.Mutex
	said []string
}

func (l *lines) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelWarn }

// Handle keeps a message with its attributes, in one line.
func (l *lines) Handle(_ context.Context, r slog.Record) error {
	text := r.Message
	r.Attrs(func(a slog.Attr) bool { text += fmt.Sprintf(", %s: %s", a.Key, a.Value); return true })
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.said) < 20 {
		l.said = append(l.said, shorten(strings.ReplaceAll(text, "\n", " ")))
	}
	return nil
}

func (l *lines) WithAttrs([]slog.Attr) slog.Handler { return l }
func (l *lines) WithGroup(string) slog.Handler      { return l }

func (l *lines) take() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := l.said
	l.said = nil
	return out
}

// CheckWeather reads the i-th source of weather once.
func CheckWeather(ctx context.Context, c configs.Config, i int) Finding {
	s, err := setupFrom(c)
	if err != nil {
		return Finding{Subject: "config", Level: Fault, Text: oneLine(err)}
	}
	k := &checker{config: c, setup: s, o: CheckOptions{Now: time.Now}}
	return k.weather(ctx, c.Weather[i])
}

// ProbeDevice looks once at the i-th tuner, which is of kind httpjson, without tuning
// it, and returns lines for people. Its error says why the look is of no use.
func ProbeDevice(ctx context.Context, c configs.Config, i int) ([]string, error) {
	s, err := setupFrom(c)
	if err != nil {
		return nil, err
	}
	src, err := openHTTPJSON(ctx, c.Tuners[i], sourceParts{setup: s, now: time.Now, log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, err
	}
	defer src.Close()
	p := src.(*httpjson.Source).Probe(ctx, collector.Visit{Channel: s.channelsOf(c.Tuners[i])[0], Dwell: tryFor})
	return both(p), p.Err
}
