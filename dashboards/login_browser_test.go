package dashboards

import (
	"fmt"
	"net"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// A browser meets the home by a name and without encryption, as it does in a home's
// network: there it sends no Sec-Fetch-Site, keeps no Secure cookie, and ignores what
// only encrypted pages may do.
func TestLogInInBrowser(t *testing.T) {
	browser := newBrowser(t)
	for _, width := range []int64{1440, 390} {
		for _, dark := range []bool{false, true} {
			name := fmt.Sprintf("login-%d-%s", width, map[bool]string{false: "light", true: "dark"}[dark])
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				s := New(newFakeHome(57), Options{Version: "test", Door: testDoor(t, false), Network: true, Hosts: []string{"tv.home.arpa"}})
				srv := httptest.NewServer(s.Handler())
				t.Cleanup(srv.Close)
				t.Cleanup(s.Close)
				_, port, err := net.SplitHostPort(srv.Listener.Addr().String())
				if err != nil {
					t.Fatal(err)
				}
				b := show(t, browser, "http://tv.home.arpa:"+port+"/holding?first=rf", width, dark)
				b.wait("document.querySelector('#password') && document.fonts.status === 'loaded'")
				b.shot(name)
				if p := eval[string](b, "location.pathname"); p != "/login" {
					t.Errorf("a stranger is at %s, want /login", p)
				}
				if f := eval[string](b, "document.activeElement.id"); f != "password" {
					t.Errorf("the focus is on %q, want the field", f)
				}
				if got := eval[int](b, "document.documentElement.scrollWidth"); int64(got) != width {
					t.Errorf("scroll width = %d, want %d: the page scrolls sideways", got, width)
				}
				if h := eval[float64](b, "Math.min(...[...document.querySelectorAll('.login input:not([type=hidden]), .login button')].map(e => e.getBoundingClientRect().height))"); width == 390 && h < 44 {
					t.Errorf("the smallest target is %v px high, want 44 on a phone", h)
				}
				if got := eval[string](b, "getComputedStyle(document.querySelector('#password')).borderTopWidth + getComputedStyle(document.querySelector('#password')).borderLeftWidth"); got != "0px0px" {
					t.Errorf("the field has a box: %s", got)
				}
				axe(b)
				b.do(chromedp.KeyEvent("sixty-six geese"), chromedp.KeyEvent(kb.Enter))
				b.wait("document.querySelector('#said')")
				b.shot(name + "-wrong")
				axe(b)
				if said := eval[string](b, "document.querySelector('#said').innerText"); said != "That password does not open it." {
					t.Errorf("a wrong password is answered with %q", said)
				}
				b.wait("document.activeElement.id === 'password'")
				b.do(chromedp.KeyEvent(doorPhrase), chromedp.KeyEvent(kb.Enter))
				b.wait("document.querySelector('#lanes[data-drawn]')")
				if a := eval[string](b, "location.pathname + location.search + ' ' + document.cookie"); a != "/holding?first=rf first=rf" {
					t.Errorf("after the log-in: %q, want the page that was asked for, and no cookie that scripts see", a)
				}
				b.wait("document.querySelector('.out button')")
				b.shot(name + "-in")
				for _, w := range b.complaints() {
					if !strings.Contains(w, "403") { // the refusal that was asked for
						t.Errorf("the browser complained: %v", w)
					}
				}
				if width != 390 || dark {
					return // the page looks again every 10 s: once is enough
				}
				// A log-out, in another tab, say, leads this page back to the door.
				eval[bool](b, "fetch('/logout', {method: 'POST'}).then(() => true)")
				b.wait("location.pathname === '/login' && location.search.startsWith('?to=%2Fholding')")
			})
		}
	}
}
