package dashboards

import (
	"fmt"
	"testing"
	"time"
)

func TestFirstVisitInBrowser(t *testing.T) {
	browser := newBrowser(t)
	homes := map[string]func() *fakeHome{
		"setup": func() *fakeHome { return newHome(9, 14) },
		"setup-none": func() *fakeHome {
			f := newHome(0)
			f.facts.Tuners, f.health, f.facts.Channels = nil, nil, nil
			return f
		},
	}
	for kind, home := range homes {
		for _, width := range []int64{1440, 390, 320} {
			for _, dark := range []bool{false, true} {
				if kind != "setup" && dark || width == 320 && dark {
					continue
				}
				name := fmt.Sprintf("%s-%d-%s", kind, width, map[bool]string{false: "light", true: "dark"}[dark])
				t.Run(name, func(t *testing.T) {
					t.Parallel()
					b := open(t, browser, home(), "/", width, dark)
					b.wait("location.pathname === '/setup' && document.fonts.status === 'loaded' && !document.querySelector('#theme').hidden")
					b.shot(name)
					if got := eval[int](b, "document.documentElement.scrollWidth"); int64(got) != width {
						t.Errorf("scroll width = %d, want %d: the page scrolls sideways", got, width)
					}
					if got := eval[string](b, "getComputedStyle(document.body).backgroundColor"); got != map[bool]string{false: "rgb(251, 250, 245)", true: "rgb(17, 25, 29)"}[dark] {
						t.Errorf("background = %s", got)
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

// The page follows: a channel that is visited shows at once, and lost contact is said.
func TestFirstVisitFollows(t *testing.T) {
	browser := newBrowser(t)
	f := newHome(3)
	b := open(t, browser, f, "/setup", 1440, false)
	b.wait("document.querySelectorAll('.found li').length === 3")
	for end := time.Now().Add(15 * time.Second); f.listening() == 0; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the page did not ask for events")
		}
	}
	more := newHome(8)
	f.set(func() { f.answer = more.answer })
	f.tick()
	b.wait("document.querySelectorAll('.found li').length === 8 && document.querySelector('#say').innerText.includes('8\u00a0of\u00a014')")
	if n := eval[int](b, "document.querySelectorAll('.raster .got').length"); n != 8 {
		t.Errorf("numbers underlined = %d, want 8", n)
	}
	f.set(func() { f.err = fmt.Errorf("gone") })
	f.tick()
	b.wait("document.querySelector('#contact').innerText.includes('No contact with holdfast')")
}
