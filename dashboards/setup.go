package dashboards

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/dashboards/chart"
	"holdfast/dashboards/words"
)

// firstVisit is how long a home counts as new: the first round of visits takes minutes.
const firstVisit = hourMS

// setupPage is the view of the first visit: what is there, what was found so far, what
// is still missing. It changes nothing: what may be said stands in the config.
type setupPage struct {
	Home, Theme, Version  string
	Defs                  string
	State                 setupState
	Knowing, KnowingPhone string
	Steps                 []knownPage
	Still                 setupParts
	Open                  bool // something is still to say
	Measuring             bool // there are tuners
}

// setupState is what changes while one looks.
type setupState struct {
	Say      setupSay
	Channels setupChannels
	Parts    setupParts
}

type setupSay struct {
	Asof     string
	Parts    []words.Part
	Progress string
	Do       []setupLine
	Link     string
}

type setupLine struct{ Lead, Text, Code string }

type setupChannels struct {
	Head   string
	Free   bool // frequencies, not numbers of a raster
	Bands  []setupBand
	Legend []setupCell
	Found  []setupFound
}

type setupBand struct {
	Name  string
	Cells []setupCell
}

type setupCell struct {
	Class, Number, Says string
	Hidden              bool // decor: a number of the raster that nobody watches
}

type setupFound struct {
	Screen, Name, RF, How string
	Warm                  bool
}

type setupParts struct {
	Head, Note string
	Cards      []setupCard
}

type setupCard struct{ Title, Text, Lines string }

type knownPage struct{ Title, Text, Not string }

var known = []knownPage{
	{"After an hour", "Which channels show a picture now, and how far each lies above the usual threshold.", "Not: whether it lasts."},
	{"After a week", "The settled margin of each channel: what to expect in calm, dry air. Which evenings were spoiled.", "Not: what this place requires."},
	{"After two weeks", "Availability, how deep fades go, what this place requires, and what is to spare.", "Not: storms that have not come."},
	{"After a windy day", "What wind takes here. From then on it is in the required margin.", "Not: leaves."},
	{"After a leaf season", "What leaves take, and the month in which it will be too much.", ""},
}

// A setupChannel is one channel with what its visits have shown.
type setupChannel struct {
	reception.Channel
	visited, locked, other bool
	margin, cn             float64 // of the best tuner, dB; NaN if not known
}

// root is the way in: the first visit while it lasts, then what holds.
func (s *Server) root(w http.ResponseWriter, r *http.Request) {
	first, err := s.isFirstVisit(r.Context())
	if err != nil || !first { // Holding says what is wrong
		s.holding(w, r)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	http.Redirect(w, r, "/setup", http.StatusSeeOther)
}

func (s *Server) isFirstVisit(ctx context.Context) (bool, error) {
	f, err := s.backend.Facts(ctx)
	switch {
	case err != nil:
		return false, err
	case f.FirstMS == 0:
		return true, nil
	case len(f.Tuners) == 0 || f.NowMS-f.FirstMS >= firstVisit:
		return false, nil
	}
	a, err := s.backend.Answer(ctx, 0, 0, 0)
	if err != nil {
		return false, err
	}
	v := &view{facts: f, answer: a}
	return slices.ContainsFunc(v.visits(), func(c setupChannel) bool { return !c.visited }), nil
}

func (s *Server) setup(w http.ResponseWriter, r *http.Request) {
	v, err := s.load(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := setupPage{
		Home: v.facts.Home.Name, Theme: theme(r), Version: s.options.Version, Defs: chart.Defs(), State: v.setupState(), Steps: known,
		Still: v.still(),
	}
	p.Open, p.Measuring = len(p.Still.Cards) > 0, len(v.facts.Tuners) > 0
	const says = "How far off an answer may be narrows from wide after an hour to narrow after a leaf season; a windy day and the leaf season each narrow it by something that no quiet day can teach."
	p.Knowing, p.KnowingPhone = chart.Knowing(1312, says), chart.Knowing(358, says)
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "setup", p); err != nil {
		s.fail(w, r, fmt.Errorf("write the page: %w", err))
		return
	}
	send(w, r, http.StatusOK, "text/html; charset=utf-8", b.Bytes())
}

// setupNow serves the parts of the page that change.
func (s *Server) setupNow(w http.ResponseWriter, r *http.Request) {
	v, err := s.load(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	st := v.setupState()
	out := map[string]string{}
	for id, part := range map[string]any{"say": st.Say, "channels": st.Channels, "parts": st.Parts} {
		var b bytes.Buffer
		if err := s.pages.ExecuteTemplate(&b, "setup-"+id, part); err != nil {
			s.fail(w, r, fmt.Errorf("write the page: %w", err))
			return
		}
		out[id] = b.String()
	}
	s.sendJSON(w, r, out)
}

// visits puts beside each channel what was seen of it.
func (v *view) visits() []setupChannel {
	var out []setupChannel
	for _, c := range v.facts.Channels {
		x := setupChannel{Channel: c, margin: math.NaN(), cn: math.NaN()}
		for _, a := range v.answer.Channels {
			if a.FrequencyHz != c.FrequencyHz || a.Layer != c.Layer || a.Latest.Time == 0 {
				continue
			}
			x.visited = true
			x.other = x.other || a.Latest.WrongIdentity
			if !a.Latest.Locked || a.Latest.WrongIdentity {
				continue
			}
			x.locked = true
			if m := float64(a.Latest.MarginDB); !(m <= x.margin) { // also where there was none
				x.margin, x.cn = m, float64(a.Latest.CNDB)
			}
		}
		out = append(out, x)
	}
	slices.SortStableFunc(out, func(a, b setupChannel) int { return int((a.FrequencyHz - b.FrequencyHz) / 1000) })
	return out
}

func (v *view) setupState() setupState {
	cs := v.visits()
	return setupState{Say: v.setupSay(cs), Channels: v.setupChannels(cs), Parts: v.setupParts()}
}

// setupSay is the sentence: where the first visit stands, and what to do if it does not
// go on.
func (v *view) setupSay(cs []setupChannel) setupSay {
	n, visited, pictures := len(cs), 0, 0
	for _, c := range cs {
		if c.visited {
			visited++
		}
		if c.locked {
			pictures++
		}
	}
	tuners := 0 // of its own
	for _, t := range v.facts.Tuners {
		if t.Kind != "imported" {
			tuners++
		}
	}
	say := setupSay{Asof: v.words.Moment(v.words.NowMS) + "."}
	if v.facts.FirstMS > 0 && v.words.NowMS > v.facts.FirstMS {
		say.Asof += " First visit " + words.Duration(time.Duration(v.words.NowMS-v.facts.FirstMS)*time.Millisecond) + " ago."
	}
	strong := func(s string) { say.Parts = append(say.Parts, words.Part{Text: s, Strong: true}) }
	plain := func(s string) { say.Parts = append(say.Parts, words.Part{Text: s}) }
	if tuners == 0 {
		strong("No tuner yet.")
		if v.facts.FirstMS > 0 {
			plain(" Readings were imported, and are shown.")
			say.Link = "See what holds"
			return say
		}
		plain(" A home of imports alone is a proper home too.")
		say.Do = []setupLine{
			{"With a tuner:", "on the machine that measures, run", "holdfast setup"},
			{"With readings as CSV:", "run", "holdfast import readings FILE.csv"},
			{"To look around first:", "an invented home with eighteen months behind it is shown by", "holdfast demo"},
		}
		return say
	}
	strong(words.Sentence(words.Plural(tuners, "tuner")))
	if n == 0 {
		plain(" The config names no channel to visit.")
		say.Do = []setupLine{{"What to do:", "let the tuner look for channels, on the machine that measures:", "holdfast setup"}}
		return say
	}
	ill := 0
	for _, h := range v.health {
		if h.Kind == reception.HealthTuner && !h.OK {
			ill++
			say.Do = append(say.Do, setupLine{Text: words.Sentence(fault(h))})
		}
	}
	switch {
	case visited == 0 && ill > 0:
		plain(" Nothing is measured yet.")
		say.Do = append(say.Do, setupLine{"What to do:", "on the machine that measures, see what each tuner lacks:", "holdfast check"})
	case visited == 0:
		plain(" The first visits are under way.")
	case visited < n:
		plain(fmt.Sprintf(" %s visited; ", words.Of(int64(visited), int64(n))+" channels"))
		strong(words.Count(pictures))
		plain(map[bool]string{true: " shows a picture.", false: " show a picture."}[pictures == 1] + v.toGo(visited, n))
	case pictures == 0:
		plain(" Every channel was visited, and ")
		strong("none shows a picture.")
		say.Do = append(say.Do, setupLine{"Look indoors first:", "is the lead in, has an amplifier its supply, are these the RF numbers and not those on the screen?", ""})
	default:
		plain(" Every channel was visited; ")
		strong(words.Of(int64(pictures), int64(n)))
		plain(map[bool]string{true: " shows a picture.", false: " show a picture."}[pictures == 1])
	}
	if visited > 0 {
		say.Link = "See what holds: a lane for each channel"
	}
	say.Progress = chart.Progress(float64(visited)/float64(n), fmt.Sprintf("%d of %d channels visited", visited, n))
	return say
}

// toGo guesses how long the first round still takes, by how it went so far.
func (v *view) toGo(visited, n int) string {
	so := float64(v.words.NowMS - v.facts.FirstMS)
	if visited < 2 || so <= 0 {
		return ""
	}
	left := max(1, int(math.Ceil(so/float64(visited-1)*float64(n-visited)/60e3)))
	return " About " + words.Plural(left, "minute") + " to go."
}

func (c setupChannel) class() (class, says string) {
	switch {
	case c.locked:
		return "got", "picture"
	case c.other:
		return "other", "another transmitter"
	case c.visited:
		return "dark", "no picture"
	}
	return "yet", "not yet"
}

func (v *view) setupChannels(cs []setupChannel) setupChannels {
	out := setupChannels{Head: "Channels"}
	if len(cs) == 0 {
		return out
	}
	have := map[string]setupCell{}
	cell := func(c setupChannel) setupCell {
		class, says := c.class()
		x := setupCell{Class: class, Says: says, Number: strconv.Itoa(c.RF)}
		if c.RF == 0 {
			x.Number = words.Decimal(float64(c.FrequencyHz)/1e6, 1)
			x.Class += " wide"
		}
		if _, ok := have[class]; !ok {
			have[class] = setupCell{Class: class, Number: strconv.Itoa(max(c.RF, 1)), Says: says}
		}
		return x
	}
	band := func(name string) *setupBand {
		for i := range out.Bands {
			if out.Bands[i].Name == name {
				return &out.Bands[i]
			}
		}
		out.Bands = append(out.Bands, setupBand{Name: name})
		return &out.Bands[len(out.Bands)-1]
	}
	region := v.facts.Home.Region
	byRF := map[int]setupChannel{}
	for _, c := range cs {
		if old, ok := byRF[c.RF]; c.RF > 0 && (!ok || !old.locked) { // of several layers, one that shows a picture
			byRF[c.RF] = c
		}
	}
	for _, rf := range region.RFNumbers() {
		hz, _, err := region.CentreHz(rf)
		if err != nil {
			continue
		}
		b := band(string(reception.BandOf(hz)))
		if c, ok := byRF[rf]; ok {
			b.Cells = append(b.Cells, cell(c))
			continue
		}
		b.Cells = append(b.Cells, setupCell{Class: "unwatched", Number: strconv.Itoa(rf), Hidden: true})
		have["unwatched"] = setupCell{Class: "unwatched", Number: strconv.Itoa(rf), Says: "not in the config"}
	}
	for _, c := range cs { // what has no number
		if c.RF == 0 {
			out.Free = len(region.RFNumbers()) == 0
			b := band("MHz")
			b.Cells = append(b.Cells, cell(c))
		}
	}
	for _, class := range []string{"got", "other", "dark", "yet", "unwatched"} {
		if l, ok := have[class]; ok {
			out.Legend = append(out.Legend, l)
		}
	}
	for _, c := range cs {
		if !c.visited {
			continue
		}
		_, how := c.class()
		f := setupFound{Screen: c.Screen, Name: c.Name, RF: "RF" + words.Nbsp + strconv.Itoa(c.RF), How: how, Warm: !c.locked}
		if c.RF == 0 {
			f.RF = words.Decimal(float64(c.FrequencyHz)/1e6, 0)
		}
		switch {
		case c.locked && !math.IsNaN(c.margin):
			f.How += ", margin " + words.DB(c.margin)
		case c.locked && !math.IsNaN(c.cn):
			f.How += ", C/N " + words.DB(c.cn)
		}
		out.Found = append(out.Found, f)
	}
	return out
}

// setupParts are tuners and weather, each with how it is.
func (v *view) setupParts() setupParts {
	out := setupParts{Head: "What measures"}
	state := func(kind reception.HealthKind, name string) (reception.Health, bool) {
		for _, h := range v.health {
			if h.Kind == kind && h.Subject == name {
				return h, true
			}
		}
		return reception.Health{}, false
	}
	for _, t := range v.facts.Tuners {
		if t.Kind == "imported" {
			continue
		}
		c := setupCard{Title: t.Name}
		if h, ok := state(reception.HealthTuner, t.Name); ok {
			what, _, _ := strings.Cut(h.Detail, ":")
			c.Title += ", " + what
		}
		c.Text = v.tunerWords(t)
		out.Cards = append(out.Cards, c)
	}
	if len(out.Cards) == 0 {
		out.Cards = append(out.Cards, setupCard{Title: "No tuner", Text: "holdfast setup finds one. Without, readings are imported as CSV."})
	}
	weather := 0
	for _, h := range v.health {
		if h.Kind != reception.HealthWeather {
			continue
		}
		weather++
		c := setupCard{Title: "Weather: " + h.Subject, Text: "Read without a fault."}
		if !h.OK {
			c.Text = words.Sentence(h.Detail)
		}
		out.Cards = append(out.Cards, c)
	}
	if weather == 0 {
		out.Cards = append(out.Cards, setupCard{Title: "No weather so far", Text: "Without it nothing can be said about leaves, wind and rain. Margins and dropouts are there all the same."})
	}
	return out
}

// tunerWords says what a tuner's numbers mean, once a visit has shown it.
func (v *view) tunerWords(t reception.Tuner) string {
	for _, id := range slices.Sorted(maps.Keys(v.facts.Scales)) {
		s := v.facts.Scales[id]
		if t.Driver == "" || !strings.HasPrefix(s.Driver, t.Driver) {
			continue
		}
		what, unit := map[bool]string{true: "MER", false: "C/N"}[s.Quantity == reception.QuantityMER], "dB"
		if s.Unit == reception.UnitPercent {
			what, unit = "Quality", "per cent of its own scale"
		}
		text := what + " in " + unit
		if s.Step > 0 {
			text += " by steps of " + words.Decimal(s.Step, 1)
		}
		if s.Ceiling > 0 {
			text += ", ends at " + words.Decimal(s.Ceiling, 1)
		}
		text += "."
		switch s.LevelKind {
		case reception.LevelInChannel:
			text += " Says the level of the channel."
		case reception.LevelWholeBand:
			text += " Says the level of the whole band only."
		case reception.LevelFromCN:
			text += " Its level is worked out from C/N, and so no second witness."
		}
		return text
	}
	return "What its numbers mean is shown after its first visit."
}

// still lists what the config does not say yet, and how it is said.
func (v *view) still() setupParts {
	out := setupParts{Head: "Questions meanwhile", Note: "Each can wait. The answers are lines of the config; reload it afterwards."}
	add := func(title, text, lines string) {
		out.Cards = append(out.Cards, setupCard{title, text, lines})
	}
	h := v.facts.Home
	if math.IsNaN(h.Latitude) {
		add("Where is the home?", "Leaves and daylight come from it. A tenth of a degree is enough, and it stays on this machine.",
			"home:\n  latitude: 43.0   # degrees north\n  longitude: -75.0 # degrees east")
	}
	if len(v.facts.Transmitters) == 0 && len(v.facts.Channels) > 0 {
		add("Where do the channels come from?", "Then lanes stand by mast, and one mast that falls alone is seen as such.",
			"transmitters:\n  - name: MAST\n    azimuth_deg: 312 # from north\n    distance_km: 41\nchannels:\n  - { rf: "+exampleRF(v.facts.Channels)+", transmitter: MAST }")
	}
	if i := slices.IndexFunc(v.facts.Tuners, func(t reception.Tuner) bool { return t.Kind != "imported" }); i >= 0 {
		t := v.facts.Tuners[i]
		text := "One that the household watches or records with is held at most a tenth of the time, and left alone in hours that you name."
		lines := "tuners:\n  - name: " + t.Name + "\n    lent: true\n    keep_out: [\"19:30-22:00\"]"
		if t.Kind == "dvb" {
			text += " Riding, it looks on while somebody watches: that shows what is watched, stays in this house, and is off until you write it."
			lines += "\n    riding: allowed"
		}
		add("How may holdfast use the tuners?", text, lines)
	}
	if len(h.Growth) == 0 {
		add("What grows around it?", "Seen from the antenna, clockwise from north. Kept for what leaves take; it is looked for on every channel either way.",
			"home:\n  growth:\n    - from_deg: 100\n      to_deg: 160\n      growth: deciduous")
	}
	return out
}

// exampleRF is a channel of the home's, for a line of the config.
func exampleRF(cs []reception.Channel) string {
	for _, c := range cs {
		if c.RF > 0 {
			return strconv.Itoa(c.RF)
		}
	}
	return "26"
}
