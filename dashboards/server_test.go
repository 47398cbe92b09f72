package dashboards

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/dashboards/words"
)

// get asks a handler in memory, as localhost.
func get(h http.Handler, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", "http://localhost"+path, nil)
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestHoldingPage(t *testing.T) {
	h := New(newFakeHome(57), Options{Version: "1.2"}).Handler()
	for _, path := range []string{"/", "/holding"} {
		w := get(h, path)
		body := w.Body.String()
		if w.Code != 200 {
			t.Fatalf("GET %s = %d: %s", path, w.Code, body)
		}
		for _, want := range []string{
			"<b>13\u00a0of\u00a014</b>", `<a href="#rf35">8.1` + "\u00a0" + `Bay Light</a>`, "will probably fall short about 18 May",
			"3\u00a0of\u00a028", words.Safety, "From Cold Hill", "north-west, 312°, 41\u00a0km, over the maples", "at least 11.8\u00a0dB", "Acknowledge",
		} {
			if !strings.Contains(body, want) {
				t.Errorf("GET %s lacks %q", path, want)
			}
		}
		// What the policy forbids must not be in the markup either.
		for _, no := range []string{" style=", "<style", "javascript:", " onclick=", "<script>"} {
			if strings.Contains(body, no) {
				t.Errorf("GET %s holds %q, which the content security policy forbids", path, no)
			}
		}
		csp := w.Header().Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("Content-Security-Policy %q lacks %q", csp, want)
			}
		}
		if strings.Contains(csp, "unsafe") {
			t.Errorf("Content-Security-Policy %q allows something unsafe", csp)
		}
	}
}

// Every address that the page names must answer.
func TestPageHasNoDeadLinks(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	body := get(h, "/holding").Body.String()
	ids := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(body, -1) {
		if ids[m[1]] {
			t.Errorf("id %q stands twice", m[1])
		}
		ids[m[1]] = true
	}
	n := 0
	for _, m := range regexp.MustCompile(`(?:href|src|action)="([^"]+)"`).FindAllStringSubmatch(body, -1) {
		link := strings.ReplaceAll(m[1], "&amp;", "&")
		n++
		switch {
		case strings.HasPrefix(link, "#"):
			if !ids[link[1:]] {
				t.Errorf("link %q leads nowhere", link)
			}
		case link == "/api/alarms/acknowledge": // takes POST
		default:
			if strings.HasPrefix(link, "?") {
				link = "/holding" + link
			}
			if w := get(h, link); w.Code != 200 {
				t.Errorf("GET %s = %d", link, w.Code)
			}
		}
	}
	if n < 10 {
		t.Errorf("links found = %d, want ten and more", n)
	}
	css := string(loadAssets()["holdfast.css"].body)
	for _, m := range regexp.MustCompile(`url\(([^)]+)\)`).FindAllStringSubmatch(css, -1) {
		if w := get(h, "/static/"+m[1]); w.Code != 200 || w.Header().Get("Content-Type") != "font/woff2" {
			t.Errorf("GET /static/%s = %d %s", m[1], w.Code, w.Header().Get("Content-Type"))
		}
	}
}

// The budget of a first visit, compressed: 300 kB.
func TestPageWeight(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	zip := func(r *http.Request) { r.Header.Set("Accept-Encoding", "gzip") }
	total := 0
	for _, p := range []string{"/holding", "/holding/lanes?w=864&form=wide", "/static/holdfast.css", "/static/holdfast.js",
		"/static/fonts/newsreader-latin-400-normal.woff2", "/static/fonts/newsreader-latin-500-normal.woff2", "/static/fonts/newsreader-latin-400-italic.woff2", "/static/fonts/source-sans-3-latin-wght-normal.woff2"} {
		w := get(h, p, zip)
		t.Logf("%6d bytes %s", w.Body.Len(), p)
		total += w.Body.Len()
	}
	if total > 300e3 {
		t.Errorf("a first visit weighs %d bytes, want at most 300000", total)
	}
}

func TestLanesFollowTheWidth(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	for _, c := range []struct {
		query string
		width float64
		back  int64 // weeks of past shown
		tall  string
	}{
		{"w=864&form=wide", 864, 8, `height="150"`},
		{"w=358.6&form=phone", 358, 5, `height="118"`},
	} {
		w := get(h, "/holding/lanes?"+c.query)
		if w.Code != 200 {
			t.Fatalf("%s: %d %s", c.query, w.Code, w.Body)
		}
		var d lanesJSON
		if err := json.Unmarshal(w.Body.Bytes(), &d); err != nil {
			t.Fatal(err)
		}
		if d.Width != c.width || (d.NowMS-d.FromMS)/weekMS != c.back || d.FromMS%d.StepMS != 0 {
			t.Errorf("%s: width %v, %d weeks of past; want %v, %d", c.query, d.Width, (d.NowMS-d.FromMS)/weekMS, c.width, c.back)
		}
		if len(d.Lanes) != len(fakeChannels) || d.Lanes[0].Key != "rf35" || !strings.Contains(d.Lanes[0].SVG, c.tall) {
			t.Errorf("%s: %d lanes, first %s; want rf35 first, open, %s", c.query, len(d.Lanes), d.Lanes[0].Key, c.tall)
		}
		if bins := float64(d.ToMS-d.FromMS) / float64(d.StepMS); bins > c.width/1.5+1 {
			t.Errorf("%s: %v bins in %v px, want no more than px / 1.5", c.query, bins, c.width)
		}
		if n := len(d.Lanes[0].Median); n != int(math.Ceil(float64(d.ToMS-d.FromMS)/float64(d.StepMS))) {
			t.Errorf("%s: %d values of %v bins", c.query, n, float64(d.ToMS-d.FromMS)/float64(d.StepMS))
		}
	}
	for _, q := range []string{"w=wide", "w=5", "from=yesterday", "from=2026-04-01&to=2026-03-01"} {
		w := get(h, "/holding/lanes?"+q)
		if w.Code != 400 || !strings.Contains(w.Body.String(), "want") && !strings.Contains(w.Body.String(), "write") {
			t.Errorf("%s: %d %s; want 400 and a remedy", q, w.Code, w.Body)
		}
	}
}

// Where nothing can be expected yet the past takes all the width, and the page says
// what is needed.
func TestUndecidedOutlookDrawsNothing(t *testing.T) {
	w := get(New(newFakeHome(3), Options{}).Handler(), "/holding/lanes?w=864")
	var d lanesJSON
	if err := json.Unmarshal(w.Body.Bytes(), &d); err != nil {
		t.Fatal(err)
	}
	if d.ToMS != d.NowMS || (d.NowMS-d.FromMS)/dayMS != 3 {
		t.Errorf("span = %d to %d, want the three days up to now", d.FromMS, d.ToMS)
	}
	if !strings.Contains(d.Note, "a spring seen from bare to full leaf") {
		t.Errorf("note = %q, want what is needed", d.Note)
	}
	for _, l := range d.Lanes {
		if strings.Contains(l.SVG, "ahead") || strings.Contains(l.SVG, "dash") {
			t.Errorf("%s draws something to come", l.Key)
		}
	}
}

func TestAnswerIsTheContract(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	w := get(h, "/api/answer")
	var a answer.Answer
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
		t.Fatal(err)
	}
	if len(a.Channels) != 14 || len(a.Alarms) != 2 || a.Alarms[0].Condition != "spare-below-zero" || a.Alarms[1].Cleared == 0 {
		t.Errorf("answer has %d channels, alarms %+v", len(a.Channels), a.Alarms)
	}
	for _, list := range []string{`"dropouts":null`, `"outlook":null`, `"changes":null`, `"comparisons":null`, `"alarms":null`, `"channels":null`} {
		if strings.Contains(w.Body.String(), list) {
			t.Errorf("the answer holds %s, want an array", list)
		}
	}
	for _, q := range []string{"format=xml", "format=text&width=3", "at=soon"} {
		if w := get(h, "/api/answer?"+q); w.Code != 400 {
			t.Errorf("GET /api/answer?%s = %d, want 400", q, w.Code)
		}
	}
	text := get(h, "/api/answer?format=text&width=100").Body.String()
	for _, want := range []string{"13\u00a0of\u00a014 channels hold today; 8.1\u00a0Bay Light is short.", "Look at these two", "\u22121.2\u00a0dB", words.Safety[:30]} {
		if !strings.Contains(text, want) {
			t.Errorf("text lacks %q:\n%s", want, text)
		}
	}
}

func TestHostsAndOrigins(t *testing.T) {
	h := New(newFakeHome(57), Options{Hosts: []string{"house.example"}}).Handler()
	for host, want := range map[string]int{
		"localhost": 200, "localhost:8080": 200, "127.0.0.1:9000": 200, "[::1]:8080": 200, "127.8.8.8": 200, "holdfast.localhost": 200, "HOUSE.example:80": 200,
		"evil.example": 421, "192.168.1.4": 421, "localhost.evil.example": 421, "": 421, "127.0.0.1.evil.example": 421,
	} {
		if w := get(h, "/healthz", func(r *http.Request) { r.Host = host }); w.Code != want {
			t.Errorf("Host %q = %d, want %d", host, w.Code, want)
		}
	}
	post := func(change func(*http.Request)) int {
		r := httptest.NewRequest("POST", "http://localhost/api/alarms/acknowledge", strings.NewReader(url.Values{"id": {"spare-below-zero/rf35/1"}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		change(r)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code
	}
	if c := post(func(*http.Request) {}); c != 200 {
		t.Errorf("POST by a program = %d, want 200", c)
	}
	if c := post(func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }); c != 403 {
		t.Errorf("POST from another site = %d, want 403", c)
	}
	if c := post(func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }); c != 403 {
		t.Errorf("POST with a foreign origin = %d, want 403", c)
	}
	if c := post(func(r *http.Request) { r.Header.Set("Accept", "text/html") }); c != 303 {
		t.Errorf("POST by the page's form = %d, want 303", c)
	}
	if w := get(h, "/api/alarms/acknowledge"); w.Code != 405 {
		t.Errorf("GET of a POST route = %d, want 405", w.Code)
	}
}

func TestTrouble(t *testing.T) {
	f := newFakeHome(57)
	f.err = errors.New(`open the store: <disk> is gone`)
	h := New(f, Options{}).Handler()
	if w := get(h, "/holding"); w.Code != 500 || !strings.Contains(w.Body.String(), "&lt;disk&gt; is gone") || !strings.Contains(w.Body.String(), "Measuring goes on") {
		t.Errorf("page of a broken home = %d %s", w.Code, w.Body)
	}
	if w := get(h, "/readyz"); w.Code != 503 || !strings.Contains(w.Body.String(), "not ready: open the store") {
		t.Errorf("readyz = %d %s", w.Code, w.Body)
	}
	if w := get(h, "/healthz"); w.Code != 200 {
		t.Errorf("healthz = %d, want 200: the process answers", w.Code)
	}
	if w := get(h, "/api/answer"); w.Code != 500 || !strings.Contains(w.Body.String(), `"error"`) {
		t.Errorf("answer of a broken home = %d %s", w.Code, w.Body)
	}
	m := get(h, "/metrics")
	if m.Code != 200 || !strings.Contains(m.Body.String(), "holdfast_answer_up 0") {
		t.Errorf("metrics of a broken home = %d, want holdfast_answer_up 0", m.Code)
	}
}

// Names, units and help of the metrics by promlint, the checks of Prometheus' own
// promtool.
func TestMetrics(t *testing.T) {
	own := prometheus.NewCounter(prometheus.CounterOpts{Name: "holdfast_visits_total", Help: "Visits made."})
	h := New(newFakeHome(57), Options{Version: "1.2", Collectors: []prometheus.Collector{own}}).Handler()
	body := get(h, "/metrics").Body.String()
	problems, err := promlint.New(strings.NewReader(body)).Lint()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("promlint: %s: %s", p.Metric, p.Text)
	}
	for _, want := range []string{
		`holdfast_spare_decibels{frequency_hz="587000000",installation="first",layer="",name="Quarterlight",rf="33",tuner="tuner 1"} 1.4`,
		`holdfast_availability_ratio{frequency_hz="599000000",installation="first",layer="",name="Bay Light",rf="35",tuner="tuner 1"} 0.978`,
		`holdfast_alarms_standing{condition="spare-below-zero",severity="minor"} 1`, `holdfast_build_info{version="1.2"} 1`, "holdfast_visits_total 0", "holdfast_answer_up 1",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("metrics lack %s", want)
		}
	}
}

func TestImport(t *testing.T) {
	f := newFakeHome(57)
	srv := httptest.NewServer(New(f, Options{}).Handler())
	defer srv.Close()
	send := func(path, ctype string, body io.Reader) (int, []importLine) {
		t.Helper()
		r, err := http.Post(srv.URL+path, ctype, body)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		var out []importLine
		sc := bufio.NewScanner(r.Body)
		for sc.Scan() {
			var l importLine
			if err := json.Unmarshal(sc.Bytes(), &l); err != nil {
				t.Fatalf("line %q: %v", sc.Text(), err)
			}
			out = append(out, l)
		}
		return r.StatusCode, out
	}
	code, lines := send("/api/import/readings?name=may.csv", "text/csv", strings.NewReader("time,channel,cn_db\n1,2,3\n"))
	if code != 200 || len(lines) != 2 || lines[0].Progress == nil || lines[1].Report == nil || lines[1].Report.Rows != 2 {
		t.Errorf("import = %d %+v, want a progress line and a report of two rows", code, lines)
	}
	if want := "readings/may.csv/none/time,channel,cn_db\n1,2,3\n"; f.imported != want {
		t.Errorf("backend got %q, want %q", f.imported, want)
	}
	var form bytes.Buffer
	m := multipart.NewWriter(&form)
	p, _ := m.CreateFormFile("scales", "scales.csv")
	io.WriteString(p, "scale\n")
	p, _ = m.CreateFormFile("file", "june.csv")
	io.WriteString(p, "time\n")
	m.Close()
	send("/api/import/readings", m.FormDataContentType(), &form)
	if want := "readings/june.csv/scale\n/time\n"; f.imported != want {
		t.Errorf("backend got %q, want %q", f.imported, want)
	}
	code, lines = send("/api/import/weather", "text/csv", strings.NewReader("full disk\n"))
	if last := lines[len(lines)-1]; code != 200 || !strings.Contains(last.Error, "disk is full") || last.Report == nil {
		t.Errorf("import on a full disk = %d %+v, want the error and what was read", code, last)
	}
	if code, lines = send("/api/import/pictures", "text/csv", nil); code != 400 || !strings.Contains(lines[0].Error, "want readings, weather or installations") {
		t.Errorf("import of an unknown kind = %d %+v", code, lines)
	}
}

// The stream comments every 15 s, joins changes that come close together, and ends
// with the server.
func TestEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFakeHome(3)
		s := New(f, Options{})
		h := s.Handler()
		pr, pw := io.Pipe()
		done := make(chan struct{})
		go func() {
			defer close(done)
			r := httptest.NewRequest("GET", "http://localhost/events", nil)
			r.Header.Set("Last-Event-ID", "7")
			h.ServeHTTP(&pipeWriter{h: http.Header{}, w: pw}, r)
			pw.Close()
		}()
		lines := make(chan string, 100)
		go func() {
			defer close(lines)
			sc := bufio.NewScanner(pr)
			for sc.Scan() {
				if sc.Text() != "" {
					lines <- sc.Text()
				}
			}
		}()
		count := func(prefix string) int {
			n := 0
			synctest.Wait()
			for {
				select {
				case l, ok := <-lines:
					if !ok {
						return n
					}
					if strings.HasPrefix(l, prefix) {
						n++
					}
				default:
					return n
				}
			}
		}
		if n := count("event: changed"); n != 1 {
			t.Errorf("events after coming back = %d, want 1", n)
		}
		time.Sleep(46 * time.Second)
		if n := count(": still here"); n != 3 {
			t.Errorf("comments in 46 s = %d, want 3", n)
		}
		for range 5 {
			f.tick()
			time.Sleep(100 * time.Millisecond)
		}
		time.Sleep(2 * time.Second)
		if n := count("event: changed"); n != 2 {
			t.Errorf("events for five changes in half a second = %d, want 2", n)
		}
		s.Close()
		s.Close()
		<-done
		count("")
	})
}

type pipeWriter struct {
	h http.Header
	w io.Writer
}

func (p *pipeWriter) Header() http.Header         { return p.h }
func (p *pipeWriter) Write(b []byte) (int, error) { return p.w.Write(b) }
func (p *pipeWriter) WriteHeader(int)             {}
func (p *pipeWriter) FlushError() error           { return nil }

func TestStaticFiles(t *testing.T) {
	h := New(newFakeHome(3), Options{}).Handler()
	plain := get(h, "/static/holdfast.css")
	tag := plain.Header().Get("ETag")
	zipped := get(h, "/static/holdfast.css?v="+strings.Trim(tag, `"`), func(r *http.Request) { r.Header.Set("Accept-Encoding", "br, gzip") })
	z, err := gzip.NewReader(zipped.Body)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(z)
	if err != nil || !bytes.Equal(b, plain.Body.Bytes()) {
		t.Errorf("the compressed style sheet differs from the plain one (%v)", err)
	}
	if c := zipped.Header().Get("Cache-Control"); !strings.Contains(c, "immutable") {
		t.Errorf("Cache-Control with the content's tag = %q, want immutable", c)
	}
	if w := get(h, "/static/holdfast.css", func(r *http.Request) { r.Header.Set("If-None-Match", tag) }); w.Code != 304 {
		t.Errorf("unchanged file = %d, want 304", w.Code)
	}
	for _, p := range []string{"/static/none.css", "/static/../server.go", "/static/", "/nowhere"} {
		if w := get(h, p); w.Code == 200 {
			t.Errorf("GET %s = 200, want a refusal", p)
		}
	}
}

func TestServerHasAllTimeouts(t *testing.T) {
	s := New(newFakeHome(3), Options{}).Server("127.0.0.1:0")
	if s.ReadHeaderTimeout == 0 || s.ReadTimeout == 0 || s.WriteTimeout == 0 || s.IdleTimeout == 0 {
		t.Errorf("time-outs = %v %v %v %v, want all four set", s.ReadHeaderTimeout, s.ReadTimeout, s.WriteTimeout, s.IdleTimeout)
	}
}

// What was cleared of one condition on the same channels is one row; what stands
// comes first, whatever its age.
func TestClearedAlarmsAreGathered(t *testing.T) {
	f := newFakeHome(57)
	stands := f.alarms[0]
	f.alarms = nil
	for i := range int64(9) {
		f.alarms = append(f.alarms, alerting.Alarm{ID: string(rune('a' + i)), Condition: alerting.ChannelLost, Scope: string(rune('a' + i)), Channels: []int{36},
			Raised: fakeNow - (i+1)*dayMS, Cleared: fakeNow - (i+1)*dayMS + 60000, Text: "RF 36 has no picture. Look indoors first."})
	}
	f.alarms = append(f.alarms, stands)
	body := get(New(f, Options{}).Handler(), "/holding").Body.String()
	_, section, _ := strings.Cut(body, `id="alarms">`)
	if n := strings.Count(section, "<article"); n != 2 {
		t.Errorf("rows = %d, want 2", n)
	}
	if !strings.Contains(section, "Nine times in the last 14\u00a0days. The last: raised 13 April, 19:20") {
		t.Errorf("the row does not count: %s", section)
	}
	if strings.Index(section, "too little to spare") > strings.Index(section, "no picture") {
		t.Error("a cleared alarm stands before one that stands")
	}
}

// A phone opens three lanes of itself, a desk five; the others say so.
func TestMostOpenLanes(t *testing.T) {
	f := newFakeHome(57)
	for i := range 7 {
		f.answer.Channels[i].Spare = answer.Est{Value: -1 - float64(i), Low: -2 - float64(i), High: -.5}
	}
	h := New(f, Options{}).Handler()
	for _, c := range []struct {
		agent, hint string
		want        int
		note        string
	}{
		{"Mozilla/5.0 (X11; Linux x86_64)", "?0", 5, "and three more below"},
		{"Mozilla/5.0 (Linux; Mobile)", "", 3, "and five more below"},
		{"Mozilla/5.0", "?1", 3, "and five more below"},
	} {
		body := get(h, "/holding", func(r *http.Request) {
			r.Header.Set("User-Agent", c.agent)
			r.Header.Set("Sec-CH-UA-Mobile", c.hint)
		}).Body.String()
		if n := strings.Count(body, `class="lane open`); n != c.want || !strings.Contains(body, c.note) {
			t.Errorf("%s %s: %d open lanes, want %d and %q", c.agent, c.hint, n, c.want, c.note)
		}
	}
}

func TestTable(t *testing.T) {
	h := New(newFakeHome(57), Options{}).Handler()
	w := get(h, "/holding/table?lane=rf33")
	body := w.Body.String()
	if w.Code != 200 || !strings.Contains(body, "12.1\u00a0Quarterlight") || strings.Count(body, "<tr>") != tableRows+1 {
		t.Fatalf("table = %d with %d rows", w.Code, strings.Count(body, "<tr>"))
	}
	var all string
	for link, n := "/holding/table?lane=rf33&page=0", 0; link != ""; n++ {
		b := get(h, link).Body.String()
		all += b
		m := regexp.MustCompile(`href="([^"]+)">older`).FindStringSubmatch(b)
		link = ""
		if m != nil {
			link = strings.ReplaceAll(m[1], "&amp;", "&")
		}
		if n > 9 {
			t.Fatal("the pages do not end")
		}
	}
	for _, want := range []string{"dropout: snow or ice", "dropout: wind in the trees", "not measured: in use by the viewer", "14 April, 18:00"} {
		if !strings.Contains(all, want) {
			t.Errorf("the table lacks %q", want)
		}
	}
	for _, q := range []string{"", "?lane=rf99", "?lane=rf33&page=-1", "?lane=rf33&from=x"} {
		if w := get(h, "/holding/table"+q); w.Code != 400 {
			t.Errorf("GET /holding/table%s = %d, want 400", q, w.Code)
		}
	}
}

func TestQuantile(t *testing.T) {
	// By hand: 100 visits, 1 without lock, 9 at 2.05, 40 at 5.05, 50 at 7.05.
	v := []weighted{{math.Inf(-1), 1}, {2.05, 9}, {5.05, 40}, {7.05, 50}}
	for _, c := range []struct{ p, want float64 }{{.01, math.Inf(-1)}, {.011, 2.05}, {.1, 2.05}, {.5, 5.05}, {.51, 7.05}, {1, 7.05}} {
		if got := quantile(v, c.p); got != c.want {
			t.Errorf("quantile(%v) = %v, want %v", c.p, got, c.want)
		}
	}
}

// What is not well stands on the page and in the text of now, with the name of the tuner that it is about.
func TestFaultsAreNamed(t *testing.T) {
	f := newFakeHome(57)
	f.health = []reception.Health{
		{Kind: reception.HealthTuner, Subject: "attic", Detail: "not there: open frontend0: no such file or directory"},
		{Kind: reception.HealthTuner, Subject: "cellar", OK: true, Detail: "measuring"},
		{Kind: reception.HealthWeather, Subject: "airport", Detail: "weather airport from weather.example: 404"},
	}
	h := New(f, Options{}).Handler()
	for _, face := range []string{"/holding", "/api/answer?format=text&width=200"} {
		body := get(h, face).Body.String()
		for _, want := range []string{"Tuner attic is not there: open frontend0: no such file or directory.", "Weather airport from weather.example: 404."} {
			if !strings.Contains(body, want) {
				t.Errorf("%s does not say %q", face, want)
			}
		}
		if strings.Contains(body, "cellar is") {
			t.Errorf("%s speaks of a tuner that is well", face)
		}
	}
	if past := get(h, "/api/answer?format=text&at=2026-04-01").Body.String(); strings.Contains(past, "attic is") {
		t.Error("an answer of the past speaks of what is not well now")
	}
}

func TestTryWay(t *testing.T) {
	h := New(&fakeHome{}, Options{}).Handler()
	for _, c := range []struct {
		form   string
		status int
		want   string
	}{{"name=bell", http.StatusOK, "it rang"}, {"name=horn", http.StatusBadGateway, `{"error":"nobody answers"}`}, {"", http.StatusBadRequest, "name is missing"}} {
		r := httptest.NewRequest(http.MethodPost, "http://localhost/api/alarms/test", strings.NewReader(c.form))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%q: %d %s, want %d with %q", c.form, w.Code, w.Body, c.status, c.want)
		}
	}
}

// What was found in imported history can be acknowledged once the journal has it.
func TestAdoptedAlarmsAreAcknowledged(t *testing.T) {
	f := newFakeHome(57)
	f.alarms = f.alarms[:1]
	f.alarms[0].Origin = alerting.FromReplay
	for _, kept := range []bool{true, false} {
		f.alarms[0].Kept = kept
		h := New(f, Options{}).Handler()
		if page := get(h, "/holding").Body.String(); strings.Contains(page, "/api/alarms/acknowledge") != kept || !strings.Contains(page, "found in imported readings") {
			t.Errorf("kept %v: the page has a button: %v", kept, !kept)
		}
		if list := get(h, "/api/alarms").Body.String(); strings.Contains(list, `"waits":true`) != kept {
			t.Errorf("kept %v: %s", kept, list)
		}
	}
}
