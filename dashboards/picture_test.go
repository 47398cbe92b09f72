package dashboards

import (
	"encoding/xml"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/chromedp"
)

// A picture to keep is one well-formed document that holds what the page says and needs
// nothing from outside: no variable, no address, no place.
func TestPicture(t *testing.T) {
	f := newFakeHome(57)
	h := New(f, Options{}).Handler()
	for theme, paper := range map[string]string{"light": "#FBFAF5", "dark": "#11191D"} {
		w := get(h, "/holding/picture?from=2026-03-01&to=2026-06-01&open=rf7&theme="+theme)
		body := w.Body.String()
		if w.Code != 200 || w.Header().Get("Content-Type") != "image/svg+xml" {
			t.Fatalf("picture = %d %s: %.200s", w.Code, w.Header().Get("Content-Type"), body)
		}
		if got, want := w.Header().Get("Content-Disposition"), `attachment; filename="holdfast 2026-03-01 to 2026-`; !strings.HasPrefix(got, want) {
			t.Errorf("it is called %s, want %s...", got, want)
		}
		d := xml.NewDecoder(strings.NewReader(body))
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", theme, err)
			}
		}
		for _, want := range []string{paper, "Quarterlight", "to spare", "From ", "Sunday 1 March 2026", f.facts.Home.Name} {
			if !strings.Contains(body, want) {
				t.Errorf("%s: the picture lacks %q", theme, want)
			}
		}
		drawn := regexp.MustCompile(`base64,[^)]+`).ReplaceAllString(strings.Replace(body, `xmlns="http://www.w3.org/2000/svg"`, "", 1), "")
		for _, bad := range []string{"var(", "@layer", "http://", "https://", "in use by the viewer", "NaN", "latitude"} {
			if strings.Contains(drawn, bad) {
				t.Errorf("%s: the picture has %q", theme, bad)
			}
		}
		if n := strings.Count(body, `class="thr"`); n != len(fakeChannels) {
			t.Errorf("%s: %d lanes, want %d", theme, n, len(fakeChannels))
		}
		if dir := os.Getenv("HOLDFAST_SHOTS"); dir != "" {
			if err := os.WriteFile(filepath.Join(dir, "picture-"+theme+".svg"), w.Body.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, home := range []*fakeHome{emptyHome(), lostHome(), newFakeHome(3)} {
		home.facts.Home.Name = "Fish & <Chips>"
		if w := get(New(home, Options{}).Handler(), "/holding/picture"); w.Code != 200 || xml.Unmarshal(w.Body.Bytes(), new(struct{})) != nil || !regexp.MustCompile(`<desc>[^<]{20}`).MatchString(w.Body.String()) {
			t.Errorf("picture of another home = %d: %.200s", w.Code, w.Body)
		}
	}
	if w := get(h, "/holding/picture?from=2026-06-01&to=2026-03-01"); w.Code != 400 {
		t.Errorf("a span that ends before it begins = %d, want 400", w.Code)
	}
}

// Days are chosen in two fields, and what is shown is kept as a picture.
func TestDaysAndPicturesInBrowser(t *testing.T) {
	b := newBrowser(t)
	for _, width := range []int64{1440, 390} {
		for _, dark := range []bool{false, true} {
			name := fmt.Sprintf("days-%d-%s", width, map[bool]string{false: "light", true: "dark"}[dark])
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				b := open(t, b, newFakeHome(57), "/holding", width, dark)
				b.wait("document.querySelector('#lanes[data-drawn]')")
				pick := func(field, day string) {
					t.Helper()
					eval[bool](b, fmt.Sprintf("(f => { f.focus({preventScroll: true}); f.value = %q; f.dispatchEvent(new Event('change')); f.blur(); return true })(document.querySelector('#%s'))", day, field))
				}
				pick("from", "2026-03-02")
				b.wait("location.search.includes('from=2026-03-02')")
				pick("to", "2026-04-05")
				b.wait("location.search.includes('from=2026-03-02&to=2026-04-06')") // the last day is shown whole
				b.wait("document.querySelector('#keep-svg').search.includes('from=' + Date.parse('2026-03-02T00:00Z'))")
				if v := eval[string](b, "document.querySelector('#from').value + ' ' + document.querySelector('#to').value"); v != "2026-03-02 2026-04-05" {
					t.Errorf("the fields hold %s", v)
				}
				pick("to", "2026-02-01")
				if s := eval[string](b, "location.search"); !strings.Contains(s, "to=2026-04-06") {
					t.Errorf("a last day before the first one went to %s", s)
				}
				if s := eval[string](b, "document.querySelector('#contact').textContent"); s != "This day lies before the first one." {
					t.Errorf("it is told with %q", s)
				}
				if got := eval[int](b, "document.documentElement.scrollWidth"); int64(got) != width {
					t.Errorf("scroll width = %d, want %d: the page scrolls sideways", got, width)
				}
				if h := eval[float64](b, "Math.min(...[...document.querySelectorAll('.days label, .keep a, .keep button')].map(e => e.getBoundingClientRect().height))"); width == 390 && h < 44 || h < 24 {
					t.Errorf("the smallest target is %v px high", h)
				}
				b.shot(name)
				axe(b)

				if dark == (width == 390) {
					return // one theme a width is enough for the picture
				}
				dir := t.TempDir()
				b.do(call(browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{Behavior: browser.SetDownloadBehaviorBehaviorAllow, DownloadPath: dir, BrowserContextID: chromedp.FromContext(b.ctx).BrowserContextID}))
				eval[bool](b, "document.querySelector('#keep-png').click(), true")
				file := filepath.Join(dir, "holdfast 2026-03-02 to 2026-04-05.png")
				for end := time.Now().Add(40 * time.Second); ; time.Sleep(50 * time.Millisecond) {
					if _, err := os.Stat(file); err == nil {
						break
					}
					if time.Now().After(end) {
						t.Fatalf("no picture came; %s; %v", eval[string](b, "document.querySelector('#contact').textContent"), b.complaints())
					}
				}
				checkPNG(t, file, dark)
				if w := b.complaints(); len(w) > 0 {
					t.Errorf("the browser complained: %v", w)
				}
				if dir := os.Getenv("HOLDFAST_SHOTS"); dir != "" {
					if err := os.Rename(file, filepath.Join(dir, name+"-kept.png")); err != nil {
						t.Fatal(err)
					}
				}
			})
		}
	}
}

// checkPNG looks whether a picture has the page's paper and the bodies of lanes on it.
func checkPNG(t *testing.T, file string, dark bool) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	if w := m.Bounds().Dx(); w != 2*1376 {
		t.Errorf("the picture is %d wide, want 2752", w)
	}
	paper, body := [3]uint32{0xFB, 0xFA, 0xF5}, [3]uint32{0x7C, 0xA8, 0xAE}
	if dark {
		paper, body = [3]uint32{0x11, 0x19, 0x1D}, [3]uint32{0x38, 0x76, 0x7F}
	}
	count := func(m image.Image, want [3]uint32) int {
		n := 0
		for y := m.Bounds().Min.Y; y < m.Bounds().Max.Y; y += 3 {
			for x := m.Bounds().Min.X; x < m.Bounds().Max.X; x += 3 {
				if r, g, b, _ := m.At(x, y).RGBA(); [3]uint32{r >> 8, g >> 8, b >> 8} == want {
					n++
				}
			}
		}
		return n
	}
	all := m.Bounds().Dx() * m.Bounds().Dy() / 9
	if p, b := count(m, paper), count(m, body); p < all/2 || b < all/200 {
		t.Errorf("of %d points %d are paper and %d are of bodies: nothing is drawn", all, p, b)
	}
}
