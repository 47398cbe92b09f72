package dashboards

import (
	"bytes"
	"fmt"
	"html/template"

	"net/http"
	"strconv"
	"strings"

	"holdfast/alerting"
	"holdfast/analysis/reception"
	"holdfast/dashboards/chart"
	"holdfast/dashboards/door"
	"holdfast/dashboards/words"
)

// alarmsBack is how long a cleared alarm stays on the page.
const alarmsBack = 14 * dayMS

// loadPages parses the embedded templates. A fault is a broken build and panics.
func loadPages(assets map[string]asset) *template.Template {
	return template.Must(template.New("").Funcs(template.FuncMap{
		"asset": func(name string) string { return "/static/" + name + "?v=" + assets[name].tag },
		"svg":   func(s string) template.HTML { return template.HTML(s) }, // made by chart, which escapes
	}).ParseFS(assetFiles, "assets/*.html"))
}

type homePage struct {
	Title    string
	Home     string
	Theme    string
	Version  string
	RFFirst  bool
	LoggedIn bool // and so can log out
	First    bool // the first visit is under way, or just over
	Say      sayPage
	Groups   []groupPage
	Alarms   alarmsPage
	Shape    string
	Most     int
	Crowded  bool
	Defs     string
	Key      string
	KeyPhone string
	ZoneOf   string
	Health   []string
}

type sayPage struct {
	Asof   string
	Parts  []words.Part
	Advice []words.Paragraph
	Health []string // faults that the daemon knows of
}

type groupPage struct {
	Title, Note, Bearing string
	Look                 bool
	Lanes                []lanePage
}

type lanePage struct {
	Key, Kind string
	RF, Name  string
	Number    string // what stands large: the number on screen, or RF's
	Small     string // what stands small: the other one
	Band      string
	Call      string
	Open      bool
	Fig       figPage
}

// figPage is what stands at a lane's right.
type figPage struct {
	words.State
	Key string
}

type alarmsPage struct {
	Head   string
	Axis   string
	Alarms []alarmPage
}

type alarmPage struct {
	ID      string
	Urgency string // words
	Size    string // class: today, month, info, cleared
	Since   string
	Bar     string
	Head    string
	Rest    string
	Safety  string
	Facts   string
	CanAck  bool
}

// holding serves the page: sentence, what to do, names and thresholds at once; the
// script asks for the drawings when it knows the width.
func (s *Server) holding(w http.ResponseWriter, r *http.Request) {
	v, err := s.load(r.Context(), r)
	if err != nil {
		if r.Context().Err() == nil {
			s.log.Error("page failed", "error", err)
		}
		var b bytes.Buffer
		s.pages.ExecuteTemplate(&b, "trouble", map[string]string{"Theme": theme(r), "Error": err.Error()}) // into memory
		send(w, r, http.StatusInternalServerError, "text/html; charset=utf-8", b.Bytes())
		return
	}
	if first := r.URL.Query().Get("first"); first == "rf" || first == "screen" {
		http.SetCookie(w, &http.Cookie{Name: "first", Value: first, Path: "/", MaxAge: 400 * 86400, SameSite: http.SameSiteLaxMode})
	}
	p := homePage{
		Title: "Holding", Home: v.facts.Home.Name, Theme: theme(r), Version: s.options.Version, RFFirst: v.words.RFFirst, LoggedIn: door.LoggedIn(r.Context()),
		First: v.facts.FirstMS == 0 || v.facts.NowMS-v.facts.FirstMS < firstVisit,
		Say:   v.sayPage(), Alarms: v.alarmPage(), Shape: v.shape(), Most: mostOpen(r), Crowded: len(v.lanes) > crowded,
		Defs: chart.Defs(), Key: chart.Key(426), KeyPhone: chart.Key(358), ZoneOf: v.facts.Home.TimeZone,
	}
	for _, g := range v.groups {
		gp := groupPage{Title: g.Title, Note: g.Note, Bearing: chart.Bearing(g.Azimuth), Look: g.Look}
		for i := range g.Lanes {
			gp.Lanes = append(gp.Lanes, v.lanePage(&g.Lanes[i], g.Look))
		}
		p.Groups = append(p.Groups, gp)
	}
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "holding", p); err != nil {
		s.fail(w, r, fmt.Errorf("write the page: %w", err))
		return
	}
	send(w, r, http.StatusOK, "text/html; charset=utf-8", b.Bytes())
}

// theme is the reader's choice: by the address, else by the cookie that the script
// keeps; "" follows the system.
func theme(r *http.Request) string {
	t := r.URL.Query().Get("theme")
	if c, err := r.Cookie("theme"); err == nil && t == "" {
		t = c.Value
	}
	if t == "light" || t == "dark" {
		return t
	}
	return ""
}

func (v *view) sayPage() sayPage {
	p := sayPage{Asof: words.Asof(v.answer, v.words), Parts: words.Headline(v.lanes, v.words), Advice: words.Advice(v.lanes, v.words)}
	for _, f := range faults(v.health) {
		p.Health = append(p.Health, words.Sentence(f))
	}
	return p
}

// faults are what is not well, each as a clause.
func faults(health []reception.Health) []string {
	var out []string
	for _, h := range health {
		if !h.OK {
			out = append(out, fault(h))
		}
	}
	return out
}

// fault says what is not well. A tuner's detail says how it is and leaves its name to
// the subject; the others name themselves.
func fault(h reception.Health) string {
	if h.Kind == reception.HealthTuner {
		return "tuner " + h.Subject + " is " + h.Detail
	}
	return h.Detail
}

func (v *view) lanePage(l *words.Lane, open bool) lanePage {
	p := lanePage{Key: l.Key, Kind: string(l.State.Kind), Open: open, Fig: figPage{l.State, l.Key}, Name: l.Name, Call: l.Call(v.words)}
	rf := ""
	if l.RF > 0 {
		rf = strconv.Itoa(l.RF)
	}
	p.Number, p.Small = l.Screen, "RF"+words.Nbsp+rf
	switch {
	case rf == "":
		p.Small = words.Decimal(float64(l.FrequencyHz)/1e6, 1) + words.Nbsp + "MHz"
	case v.words.RFFirst:
		p.Number, p.Small = rf, l.Screen
	case l.Screen == "":
		p.Number, p.Small = rf, "RF"
	}
	p.Band = string(reception.BandOf(l.FrequencyHz))
	if l.Transmitter != "" {
		p.Band += " from " + l.Transmitter
	}
	return p
}

func (v *view) alarmPage() alarmsPage {
	now := v.words.NowMS
	win := chart.Window{FromMS: now - alarmsBack, ToMS: now, W: 180}
	p := alarmsPage{Axis: chart.AlarmAxis(win, v.words.ShortDay(now-alarmsBack), v.words.ShortDay(now-alarmsBack/2))}
	standing := 0
	// What stands comes first; what was cleared follows, one row for all that was
	// raised of one condition in one place.
	var past []string
	again := map[string][]alerting.Alarm{}
	for _, a := range v.alarms {
		if a.Cleared == 0 {
			standing++
			p.Alarms = append(p.Alarms, v.oneAlarm(a, win, []chart.Raised{{FromMS: a.Raised, Seen: a.Acknowledged != 0}}))
			continue
		}
		k := string(a.Condition) + fmt.Sprint(a.Channels)
		if len(a.Channels) == 0 {
			k += a.Scope
		}
		if again[k] == nil {
			past = append(past, k)
		}
		again[k] = append(again[k], a)
	}
	for _, k := range past {
		as := again[k]
		var bars []chart.Raised
		for _, a := range as {
			bars = append(bars, chart.Raised{FromMS: a.Raised, ToMS: a.Cleared})
		}
		row := v.oneAlarm(as[0], win, bars)
		row.Rest, row.Safety = "", "" // advice is for what stands
		if n := len(as); n > 1 {
			row.Facts = words.Sentence(words.Count(n)+" times in the last 14"+words.Nbsp+"days") + " The last: " + row.Facts
		}
		p.Alarms = append(p.Alarms, row)
	}
	cleared := len(v.alarms) - standing
	switch {
	case len(v.alarms) == 0:
		p.Head = "No alarm stands, and none was cleared in the last 14" + words.Nbsp + "days."
	case standing == 0:
		p.Head = "No alarm stands. " + words.Sentence(words.Plural(cleared, "alarm")+" cleared in the last 14"+words.Nbsp+"days")
	default:
		p.Head = words.Sentence(words.Plural(standing, "alarm") + " " + map[bool]string{true: "stands", false: "stand"}[standing == 1])
		if cleared > 0 {
			p.Head = strings.TrimSuffix(p.Head, ".") + ", " + words.Count(cleared) + " cleared in the last 14" + words.Nbsp + "days."
		}
	}
	return p
}

func (v *view) oneAlarm(a alerting.Alarm, win chart.Window, bars []chart.Raised) alarmPage {
	p := alarmPage{ID: a.ID, Urgency: words.Urgency(string(a.Severity)), Bar: chart.AlarmBars(win, bars)}
	p.Size = map[string]string{"today": "today", "this month": "month"}[p.Urgency]
	if p.Size == "" {
		p.Size = "info"
	}
	p.Since = "since " + v.words.Date(a.Raised)
	p.Head, p.Rest = words.FirstSentence(a.Text)
	if words.WantsSafety(a.Text) {
		p.Safety = words.Safety
	}
	f := []string{"raised " + v.words.DateTime(a.Raised)}
	if a.Acknowledged != 0 {
		f = append(f, "acknowledged "+v.words.DateTime(a.Acknowledged))
	}
	if a.Cleared != 0 {
		f = append(f, "cleared "+v.words.DateTime(a.Cleared))
		p.Urgency, p.Size, p.Since = "cleared", "cleared", ""
	}
	if n := len(a.Channels); n > 0 && n <= 6 {
		var rf []string
		for _, c := range a.Channels {
			rf = append(rf, strconv.Itoa(c))
		}
		f = append(f, "RF"+words.Nbsp+strings.Join(rf, ", "))
	} else if n > 6 {
		f = append(f, strconv.Itoa(n)+" channels")
	}
	if a.Origin == "replay" {
		f = append(f, "found in imported readings")
	}
	p.Facts = strings.Join(f, "; ")
	p.CanAck = a.Waits()
	return p
}
