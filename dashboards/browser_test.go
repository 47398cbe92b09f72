package dashboards

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// realPart skips aloud where a real part is missing, or fails where all must be
// there.
func realPart(t *testing.T, what, remedy string) {
	t.Helper()
	msg := fmt.Sprintf("real part missing: %s; %s", what, remedy)
	if os.Getenv("HOLDFAST_REAL_PARTS") == "1" {
		t.Fatal(msg)
	}
	t.Skip(msg)
}

const chromium = "/usr/bin/chromium"

// A tab is one page in a browser with what it complained of.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu    sync.Mutex
	wrong []string
}

// theBrowser is one browser for all tests, started by the first that wants it and ended
// by TestMain. Each test's tabs have cookies and storage of their own.
var theBrowser = sync.OnceValues(func() (context.Context, error) {
	ctx, cancel := chromedp.NewContext(context.Background(), chromedp.WithAllocatorOptions(chromedp.ExecPath(chromium), chromedp.NoSandbox,
		chromedp.Flag("font-render-hinting", "none"), chromedp.Flag("host-resolver-rules", "MAP tv.home.arpa 127.0.0.1")))
	endBrowser = cancel
	return ctx, chromedp.Do(ctx, chromedp.Navigate("about:blank"))
})

var endBrowser = func() {}

func TestMain(m *testing.M) {
	code := m.Run()
	endBrowser()
	os.Exit(code)
}

// newBrowser returns the browser. The test runs beside others.
func newBrowser(t *testing.T) context.Context {
	t.Helper()
	if _, err := os.Stat(chromium); err != nil {
		realPart(t, "a browser", "apt-get install chromium")
	}
	t.Parallel()
	ctx, err := theBrowser()
	if err != nil {
		t.Fatal("start the browser:", err)
	}
	return ctx
}

func (b *tab) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 40*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

func eval[T any](b *tab, js string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 40*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", js, err)
	}
	return v
}

// wait looks until an expression is true, across navigations. A real browser keeps
// its own time: there is no clock to fake.
func (b *tab) wait(js string) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 40*time.Second)
	defer cancel()
	var last error
	for {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+js+")"))
		if ok && err == nil {
			return
		}
		if ctx.Err() != nil {
			b.t.Fatalf("wait for %s: gave up (last error %v, complaints %v)", js, last, b.complaints())
		}
		last = err
		time.Sleep(30 * time.Millisecond)
	}
}

func (b *tab) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.wrong...)
}

// open shows a page of a home in a new tab of a given width.
func open(t *testing.T, browser context.Context, f *fakeHome, path string, width int64, dark bool, more ...*emulation.MediaFeature) *tab {
	t.Helper()
	s := New(f, Options{Version: "test"})
	srv := httptest.NewServer(s.Handler())
	t.Cleanup(srv.Close)
	t.Cleanup(s.Close)
	return show(t, browser, srv.URL+path, width, dark, more...)
}

// show opens an address in a new tab of a given width.
func show(t *testing.T, browser context.Context, address string, width int64, dark bool, more ...*emulation.MediaFeature) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx}
	messages := chromedp.Console(ctx)
	go func() { // ends with the tab
		for m, err := range messages {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleWarning || m.IsException() {
				b.mu.Lock()
				b.wrong = append(b.wrong, m.String())
				b.mu.Unlock()
			}
		}
	}()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	height := int64(1000)
	opts := []chromedp.EmulateViewportOption{}
	if width < 700 {
		height = 844
		opts = append(opts, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	media := emulation.SetEmulatedMediaParams{Features: append([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}, more...)}
	b.do(chromedp.EmulateViewport(width, height, opts...),
		call(emulation.SetEmulatedMedia, media),
		call(emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true}),
		call(page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: hurry}),
		chromedp.Navigate(address))
	if got := eval[int64](b, "innerWidth"); got != width {
		t.Fatalf("innerWidth = %d, want %d", got, width)
	}
	return b
}

// hurry makes the timers of a page run twenty times as fast, and nothing else.
const hurry = `for (const f of ['setTimeout', 'setInterval']) {
	const slow = window[f].bind(window);
	window[f] = (what, ms, ...more) => slow(what, ms / 20, ...more);
}`

func call[P, R any](command cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, command, params)
		return err
	})
}

// shot keeps a picture of the whole page where HOLDFAST_SHOTS names a folder.
func (b *tab) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("HOLDFAST_SHOTS")
	if dir == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, 40*time.Second)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}

func TestPageInBrowser(t *testing.T) {
	browser := newBrowser(t)
	homes := []struct {
		name string
		home func() *fakeHome
		svgs int // lanes with a body
	}{
		{"holding", func() *fakeHome { return newFakeHome(57) }, 14},
		{"first", emptyHome, 0},
		{"few", func() *fakeHome { return newFakeHome(3) }, 14},
		{"lost", lostHome, 14},
	}
	for _, h := range homes {
		for _, width := range []int64{1440, 390} {
			for _, dark := range []bool{false, true} {
				if h.name != "holding" && dark != (width == 390) {
					continue // one theme a width is enough for the rarer states
				}
				name := fmt.Sprintf("%s-%d-%s", h.name, width, map[bool]string{false: "light", true: "dark"}[dark])
				t.Run(name, func(t *testing.T) {
					t.Parallel()
					b := open(t, browser, h.home(), "/holding", width, dark)
					b.wait("document.querySelector('#lanes[data-drawn]') && document.fonts.status === 'loaded'")
					b.shot(name)
					if got := eval[int](b, "document.querySelectorAll('.lane .plot svg .thr').length"); got != len(fakeChannels) {
						t.Errorf("lanes drawn = %d, want %d", got, len(fakeChannels))
					}
					if got := eval[int](b, "[...document.querySelectorAll('.lane')].filter(l => l.querySelector('.plot .b3, .plot .b1')).length"); got != h.svgs {
						t.Errorf("lanes with a body = %d, want %d", got, h.svgs)
					}
					if got := eval[int](b, "document.documentElement.scrollWidth"); int64(got) != width {
						t.Errorf("scroll width = %d, want %d: the page scrolls sideways", got, width)
					}
					if got, want := eval[string](b, "getComputedStyle(document.body).backgroundColor"), map[bool]string{false: "rgb(251, 250, 245)", true: "rgb(17, 25, 29)"}[dark]; got != want {
						t.Errorf("background = %s, want %s", got, want)
					}
					if got := eval[string](b, "[...document.querySelectorAll('.plot svg text')].filter(e => /NaN|undefined|Inf/.test(e.outerHTML)).map(e => e.outerHTML).join()"); got != "" {
						t.Errorf("labels = %s", got)
					}
					// Heights are fixed before the drawings arrive: nothing shifts.
					if got := eval[string](b, "[...document.querySelectorAll('.plot')].filter(p => p.offsetHeight !== Math.round(p.firstChild.getBoundingClientRect().height)).map(p => p.parentNode.id + ' ' + p.offsetHeight).join()"); got != "" {
						t.Errorf("plots whose height is not their drawing's: %s", got)
					}
					axe(b)
					if w := b.complaints(); len(w) > 0 {
						t.Errorf("the browser complained: %v", w)
					}
				})
			}
		}
	}
}

// axe runs axe-core over the page, by the rules of WCAG 2.2 A and AA.
func axe(b *tab) {
	b.t.Helper()
	file := os.Getenv("HOLDFAST_AXE")
	src, err := os.ReadFile(file)
	if err != nil {
		b.t.Run("axe", func(t *testing.T) {
			realPart(t, "axe-core ("+err.Error()+")", "npm install axe-core@4.14.1 and set HOLDFAST_AXE to its axe.min.js")
		})
		return
	}
	eval[bool](b, string(src)+";true")
	out := eval[string](b, `axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})
		.then(r => JSON.stringify(r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.target.join(' ') + ' (' + n.failureSummary + ')').join('; '))))`)
	var v []string
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		b.t.Fatal(err)
	}
	for _, s := range v {
		b.t.Errorf("axe-core: %s", s)
	}
}

func TestReadOutInBrowser(t *testing.T) {
	browser := newBrowser(t)
	b := open(t, browser, newFakeHome(57), "/holding", 1440, false)
	b.wait("document.querySelector('#lanes[data-drawn]')")
	box := eval[[]float64](b, "(() => {const r = document.querySelector('#rf33 .plot').getBoundingClientRect(); scrollTo(0, r.top - 300); const q = document.querySelector('#rf33 .plot').getBoundingClientRect(); return [q.left, q.top, q.width, q.height]})()")
	before := eval[string](b, "document.querySelector('#rf33 .fig').innerText")
	b.do(chromedp.MouseEvent("mouseMoved", box[0]+box[2]*0.3, box[1]+box[3]/2))
	b.wait("document.querySelector('.reading #rf33 .read')")
	got := eval[string](b, "document.querySelector('#rf33 .fig').innerText")
	if !strings.Contains(got, "dB") || !strings.Contains(got, "above") || got == before {
		t.Errorf("figures under the pointer = %q, want a margin and its 99 %% value", got)
	}
	if c := eval[string](b, "document.querySelector('#cap').innerText"); !strings.HasPrefix(c, "margin, ") || !strings.Contains(c, " to ") {
		t.Errorf("head of the column = %q, want the time", c)
	}
	if r := eval[string](b, "document.querySelector('#reads').innerText"); !strings.Contains(r, "°C") || !strings.Contains(r, "m/s") {
		t.Errorf("weather beside the ribbon = %q", r)
	}
	if os.Getenv("HOLDFAST_SHOTS") != "" {
		png, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(os.Getenv("HOLDFAST_SHOTS"), "readout-1440.png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b.do(chromedp.KeyEvent(kb.Escape))
	b.wait("!document.querySelector('.reading')")
	if after := eval[string](b, "document.querySelector('#rf33 .fig').innerText"); after != before {
		t.Errorf("figures after Esc = %q, want %q", after, before)
	}
	// Keys: only on a focused lane.
	eval[bool](b, "document.querySelector('#rf7').focus({preventScroll: true}), true")
	b.do(chromedp.KeyEvent(kb.ArrowLeft)) // arrow left
	b.wait("document.querySelector('#reader').textContent.includes('dB')")
	first := eval[string](b, "document.querySelector('#cap').innerText")
	b.do(chromedp.KeyEvent(kb.ArrowLeft))
	b.wait("document.querySelector('#cap').innerText !== " + fmt.Sprintf("%q", first))
	b.do(chromedp.KeyEvent(kb.Enter))
	b.wait("document.querySelector('#rf7').classList.contains('open') && location.search.includes('open=rf7')")
	if h := eval[float64](b, "document.querySelector('#rf7 .plot svg').getBoundingClientRect().height"); h != 150 {
		t.Errorf("height of the opened lane = %v, want 150", h)
	}
	eval[bool](b, "history.back(), true")
	b.wait("!document.querySelector('#rf7').classList.contains('open')")
	if w := b.complaints(); len(w) > 0 {
		t.Errorf("the browser complained: %v", w)
	}
}

func TestZoomSwitchAndThemeInBrowser(t *testing.T) {
	browser := newBrowser(t)
	b := open(t, browser, newFakeHome(57), "/holding", 1440, false)
	b.wait("document.querySelector('#lanes[data-drawn]')")
	axis := eval[string](b, "document.querySelector('#axis').innerText || document.querySelector('#axis').textContent")
	eval[bool](b, "document.querySelector('[data-go=week]').click(), true")
	b.wait("document.querySelector('#axis').textContent !== " + fmt.Sprintf("%q", axis))
	if s := eval[string](b, "location.search"); !strings.Contains(s, "from=") || !strings.Contains(s, "to=") {
		t.Errorf("address after zooming = %q, want from and to", s)
	}
	b.wait("document.querySelector('[data-go=week]').getAttribute('aria-pressed') === 'true'")
	b.shot("week-1440-light")
	eval[bool](b, "document.querySelector('.turn a').click(), true")
	b.wait("document.querySelector('#lanes[data-drawn]') && document.querySelector('#lanes').dataset.first === 'rf'")
	if s := eval[string](b, "location.search"); !strings.Contains(s, "from=") || !strings.Contains(s, "first=rf") {
		t.Errorf("address after the switch = %q, want from and first=rf", s)
	}
	if n := eval[string](b, "[...document.querySelectorAll('.grp')][1].nextElementSibling.querySelector('.name b').textContent"); n != "7" {
		t.Errorf("first channel of the first mast = %q, want RF 7", n)
	}
	eval[bool](b, "document.querySelector('[data-theme-to=dark]').click(), true")
	if got := eval[string](b, "getComputedStyle(document.body).backgroundColor"); got != "rgb(17, 25, 29)" {
		t.Errorf("background after choosing dark = %s", got)
	}
	eval[bool](b, "location.reload(), true")
	b.wait("document.querySelector('#lanes[data-drawn]') && document.documentElement.dataset.theme === 'dark'")
	if w := b.complaints(); len(w) > 0 {
		t.Errorf("the browser complained: %v", w)
	}
}

func TestLiveUpdatesInBrowser(t *testing.T) {
	browser := newBrowser(t)
	f := newFakeHome(57)
	b := open(t, browser, f, "/holding", 1440, false)
	b.wait("document.querySelector('#lanes[data-drawn]')")
	for deadline := time.Now().Add(15 * time.Second); f.listening() == 0; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the page did not ask for events")
		}
	}
	eval[bool](b, "document.querySelector('#rf7 .fig').dataset.old = document.querySelector('#rf7 .fig').innerText, true")
	f.set(func() {
		f.answer.Channels = append(f.answer.Channels[:0:0], f.answer.Channels...)
		f.answer.Channels[0].Spare.Value = 6.6
	})
	f.tick()
	b.wait("document.querySelector('#rf7 .fig').innerText.includes('6.6')")
	// A failed question keeps the drawing and says so.
	f.set(func() { f.err = errors.New("the store is being moved") })
	f.tick()
	b.wait("document.querySelector('#contact').textContent.includes('the store is being moved')")
	if !eval[bool](b, "!!document.querySelector('#rf7 .plot svg') && document.body.classList.contains('stale')") {
		t.Error("the old drawing is gone, or does not look old")
	}
}

// Widths between and below the two that people meet most.
func TestOtherWidthsInBrowser(t *testing.T) {
	browser := newBrowser(t)
	for _, width := range []int64{320, 768, 900, 1024} {
		b := open(t, browser, newFakeHome(57), "/holding", width, false)
		b.wait("document.querySelector('#lanes[data-drawn]') && document.fonts.status === 'loaded'")
		b.shot(fmt.Sprintf("width-%d", width))
		if got := eval[int](b, "document.documentElement.scrollWidth"); int64(got) != width {
			t.Errorf("scroll width = %d, want %d: the page scrolls sideways", got, width)
		}
		// Far down the ribbon shrinks to dates and leaves, and nothing below moves.
		before := eval[float64](b, "document.querySelector('#alarms').getBoundingClientRect().top + scrollY")
		eval[bool](b, "scrollTo(0, document.querySelector('#lanes').getBoundingClientRect().top + scrollY + 640), true")
		b.wait("document.querySelector('#ribbon').classList.contains('slim')")
		if after := eval[float64](b, "document.querySelector('#alarms').getBoundingClientRect().top + scrollY"); math.Abs(after-before) > 1 {
			t.Errorf("width %d: the alarms moved from %v to %v as the ribbon shrank", width, before, after)
		}
		b.shot(fmt.Sprintf("slim-%d", width))
	}
}

func TestTableInBrowser(t *testing.T) {
	browser := newBrowser(t)
	for _, width := range []int64{1440, 390} {
		b := open(t, browser, newFakeHome(57), "/holding/table?lane=rf33", width, false)
		b.wait("document.fonts.status === 'loaded'")
		b.shot(fmt.Sprintf("table-%d", width))
		if got := eval[int](b, "document.documentElement.scrollWidth"); int64(got) != width {
			t.Errorf("scroll width = %d, want %d: the page scrolls sideways", got, width)
		}
		axe(b)
		if w := b.complaints(); len(w) > 0 {
			t.Errorf("the browser complained: %v", w)
		}
	}
}

func TestForcedColoursInBrowser(t *testing.T) {
	browser := newBrowser(t)
	b := open(t, browser, newFakeHome(57), "/holding", 1440, false, &emulation.MediaFeature{Name: "forced-colors", Value: "active"})
	b.wait("document.querySelector('#lanes[data-drawn]')")
	b.shot("forced-1440")
	if got := eval[bool](b, "matchMedia('(forced-colors:active)').matches && getComputedStyle(document.querySelector('.b3')).opacity === '0.2'"); !got {
		t.Error("bodies keep their colours though colours are forced")
	}
}
