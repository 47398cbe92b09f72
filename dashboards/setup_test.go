package dashboards

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
)

// newHome was started five minutes ago: of its fourteen channels the first so many have
// been visited, and those of dark show no picture.
func newHome(visited int, dark ...int) *fakeHome {
	f := newFakeHome(1)
	f.tallies, f.alarms = nil, nil
	f.facts.FirstMS = fakeNow - 5*60e3
	f.facts.Home.Latitude = math.NaN()
	f.answer.AsOf = answer.Time(fakeNow)
	byRF := map[int]answer.Channel{}
	for _, c := range f.answer.Channels {
		byRF[c.RF] = c
	}
	f.answer.Channels = nil
	for _, fc := range fakeChannels[:visited] {
		c := byRF[fc.rf]
		c.Latest = answer.Latest{Time: answer.Time(fakeNow - 60e3), Locked: true, MarginDB: answer.Num(fc.m), CNDB: answer.Num(fc.m + 15.2)}
		for _, rf := range dark {
			if rf == fc.rf {
				c.Latest = answer.Latest{Time: c.Latest.Time, MarginDB: answer.Num(math.NaN()), CNDB: answer.Num(math.NaN())}
			}
		}
		f.answer.Channels = append(f.answer.Channels, c)
	}
	if visited == 0 {
		f.facts.FirstMS = 0
	}
	f.health = []reception.Health{
		{Kind: reception.HealthTuner, Subject: "hall", OK: true, Detail: "measuring", Since: fakeNow},
		{Kind: reception.HealthWeather, Subject: "airport", OK: true, Since: fakeNow},
	}
	f.facts.Tuners = []reception.Tuner{{Name: "hall", Kind: "dvb", Driver: "quill"}}
	f.facts.Scales = map[string]reception.Scale{"q": {ID: "q", Unit: reception.UnitDB, Step: .5, Ceiling: 30, LevelKind: reception.LevelInChannel, Driver: "quill"}}
	return f
}

// text is a page as people read it.
func text(body string) string {
	body = regexp.MustCompile(`(?s)<svg.*?</svg>|<title>.*?</title>`).ReplaceAllString(body, "")
	body = regexp.MustCompile(`<(b|strong|a|code|span|i|/b|/strong|/a|/code|/span|/i)\b[^>]*>`).ReplaceAllString(body, "")
	body = regexp.MustCompile(`<[^>]*>`).ReplaceAllString(body, "\n")
	return strings.ReplaceAll(html.UnescapeString(body), "\u00a0", " ")
}

func TestFirstVisit(t *testing.T) {
	for _, c := range []struct {
		name string
		home *fakeHome
		root bool // the way in leads here
		want []string
		not  []string
	}{
		{"under way", newHome(5, 14), true, []string{
			"First visit 5 min ago.", "One tuner. 5 of 14 channels visited; four show a picture. About twelve minutes to go.",
			"picture, margin 11.4 dB", "no picture", "hall, measuring", "C/N in dB by steps of 0.5, ends at 30.0. Says the level of the channel.",
			"Weather: airport", "Read without a fault.", "Where is the home?", "After a leaf season", "See what holds", "not in the config", "riding: allowed", "is off until you write it",
		}, []string{"Where do the channels come from?", "No weather", "NaN"}},
		{"just started", newHome(0), true, []string{"One tuner. The first visits are under way.", "Nothing yet."}, []string{"See what holds", "picture, margin"}},
		{"all visited", newHome(14), false, []string{"Every channel was visited; 14 of 14 show a picture."}, []string{"not yet", "to go"}},
		{"one shows", func() *fakeHome {
			f := newHome(2, 9)
			f.facts.Channels = f.facts.Channels[:2]
			return f
		}(), false, []string{"Every channel was visited; 1 of 2 shows a picture."}, nil},
		{"none shows", newHome(14, 7, 9, 14, 21, 27, 33, 5, 11, 16, 25, 30, 10, 24, 35), false, []string{
			"Every channel was visited, and none shows a picture.", "Look indoors first: is the lead in, has an amplifier its supply",
		}, nil},
		{"no tuner", func() *fakeHome {
			f := newHome(0)
			f.facts.Tuners, f.health, f.facts.Channels = nil, nil, nil
			return f
		}(), true, []string{"No tuner yet. A home of imports alone is a proper home too.", "run holdfast setup", "holdfast import readings FILE.csv", "shown by holdfast demo", "No weather so far"}, []string{"Found so far"}},
		{"imported", func() *fakeHome {
			f := newHome(14)
			f.facts.Tuners = []reception.Tuner{{Name: "bench", Kind: "imported"}}
			return f
		}(), false, []string{"No tuner yet. Readings were imported, and are shown.", "See what holds"}, nil},
		{"unplugged", func() *fakeHome {
			f := newHome(0)
			f.health[0] = reception.Health{Kind: reception.HealthTuner, Subject: "hall", Detail: "not there: open /dev/dvb/adapter0/frontend0"}
			return f
		}(), true, []string{"One tuner. Nothing is measured yet.", "Tuner hall is not there: open /dev/dvb/adapter0/frontend0.", "see what each tuner lacks: holdfast check", "hall, not there"}, nil},
		{"no channels", func() *fakeHome {
			f := newHome(0)
			f.facts.Channels = nil
			return f
		}(), true, []string{"One tuner. The config names no channel to visit.", "let the tuner look for channels"}, []string{"NaN"}},
		{"another transmitter", func() *fakeHome {
			f := newHome(14)
			f.answer.Channels[0].Latest.WrongIdentity = true
			return f
		}(), false, []string{"13 of 14", "another transmitter"}, nil},
		{"by frequency", func() *fakeHome {
			f := newHome(0)
			f.facts.Home.Region = ""
			f.facts.Channels = []reception.Channel{{FrequencyHz: 498.5e6, Name: "Palm"}}
			return f
		}(), true, []string{"498.5", "MHz"}, []string{"RF 0"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := New(c.home, Options{Version: "1.2"}).Handler()
			w := get(h, "/setup")
			if w.Code != 200 {
				t.Fatalf("%d %s", w.Code, w.Body)
			}
			said := text(w.Body.String())
			for _, s := range c.want {
				if !strings.Contains(said, s) {
					t.Errorf("the page lacks %q", s)
				}
			}
			for _, s := range c.not {
				if strings.Contains(said, s) {
					t.Errorf("the page has %q", s)
				}
			}
			if t.Failed() {
				t.Log(said)
			}
			for _, no := range []string{" style=", "<style", "javascript:", " onclick=", "<script>"} {
				if strings.Contains(w.Body.String(), no) {
					t.Errorf("the page holds %q, which the content security policy forbids", no)
				}
			}
			root := get(h, "/")
			if got := root.Code == http.StatusSeeOther && root.Header().Get("Location") == "/setup"; got != c.root {
				t.Errorf("GET / = %d to %q, first visit %v", root.Code, root.Header().Get("Location"), c.root)
			}
			// What the script asks for is what the page has.
			var parts map[string]string
			if err := json.Unmarshal(get(h, "/setup/state").Body.Bytes(), &parts); err != nil {
				t.Fatal(err)
			}
			for _, id := range []string{"say", "channels", "parts"} {
				if parts[id] == "" && !(id == "channels" && len(c.home.facts.Channels) == 0) || !strings.Contains(w.Body.String(), parts[id]) {
					t.Errorf("part %s is not that of the page: %s", id, parts[id])
				}
			}
		})
	}
}

// What people call things is text, whatever it holds.
func TestFirstVisitEscapes(t *testing.T) {
	f := newHome(2)
	f.facts.Home.Name = `<img src=x onerror=alert(1)>`
	f.facts.Channels[0].Name = `<script>alert(2)</script>`
	f.facts.Tuners[0].Name = `"><b>`
	f.health[0] = reception.Health{Kind: reception.HealthTuner, Subject: `"><b>`, Detail: "<i>odd"}
	h := New(f, Options{}).Handler()
	for _, path := range []string{"/setup", "/setup/state"} {
		body := get(h, path).Body.String()
		for _, no := range []string{"<img src=x", "<script>alert", `"><b>`, "<i>odd"} {
			if strings.Contains(body, no) {
				t.Errorf("GET %s holds %s", path, no)
			}
		}
	}
}

// A backend in trouble: the page says so in its own way.
func TestFirstVisitInTrouble(t *testing.T) {
	f := newHome(2)
	f.err = fmt.Errorf("the store is being moved")
	h := New(f, Options{}).Handler()
	if w := get(h, "/setup/state"); w.Code != 500 || !strings.Contains(w.Body.String(), "being moved") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := get(h, "/"); w.Code != 500 || !strings.Contains(w.Body.String(), "being moved") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
