package httpjson

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector"
	"holdfast/collector/address"
	"holdfast/collector/source/fields"
	"holdfast/collector/source/sourcetest"
)

var (
	good = reception.Channel{FrequencyHz: goodHz, RF: 30, BandwidthHz: 6e6, System: reception.ATSC1}
	dark = reception.Channel{FrequencyHz: darkHz, RF: 31, BandwidthHz: 6e6, System: reception.ATSC1}
)

// bubbleNow is a clock of our years over the bubble's, which begins in 2000.
func bubbleNow() time.Time { return time.Now().AddDate(26, 0, 0) }

func TestContract(t *testing.T) {
	var d *device
	sourcetest.Run(t, sourcetest.Options{
		Open: func(t *testing.T) collector.Source {
			d = newDevice(t)
			o := options()
			o.Now = bubbleNow
			return open(t, d, o)
		},
		Good: good, Dark: dark, Bubble: true, Now: bubbleNow,
		Busy: func(*testing.T, collector.Source) func() {
			d.set(func() { d.taken = true })
			return func() { d.set(func() { d.taken = false }) }
		},
		Unplug: func(*testing.T, collector.Source) func() {
			d.unplug()
			return func() { d.set(func() { d.out = false }) }
		},
		Hang: func(*testing.T, collector.Source) func() {
			release := make(chan struct{})
			d.set(func() { d.hang = release })
			return func() { d.set(func() { d.hang = nil }); close(release) }
		},
		Nonsense: func(*testing.T, collector.Source) func() {
			d.set(func() {
				d.alter = func(f map[string]any) { f["snr"], f["sig"], f["bad"], f["all"] = 99.0, -4096299, -7, int64(1)<<62 }
			})
			return func() { d.set(func() { d.alter = nil }) }
		},
	})
}

// bubble runs f with a device and a source in a bubble of synctest.
func bubble(t *testing.T, o Options, f func(t *testing.T, d *device, s *Source)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		d := newDevice(t)
		s := open(t, d, o)
		f(t, d, s)
	})
}

func visit(t *testing.T, s *Source, c reception.Channel) (reception.Reading, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	r, err := s.Visit(ctx, collector.Visit{Channel: c, Dwell: 4 * time.Second, LockWait: 2 * time.Second, Kind: reception.VisitBase})
	if err == nil {
		if err := r.Validate(); err != nil {
			t.Errorf("reading: %v", err)
		}
	}
	return r, err
}

func TestReading(t *testing.T) {
	bubble(t, options(), func(t *testing.T, d *device, s *Source) {
		errs := 0
		d.alter = func(f map[string]any) {
			if errs++; errs > 4 { // look before, of the wait, then the dwell's
				f["bad"] = (errs - 4) * 3
			}
			f["snr"] = 20 + float64(errs)/10
		}
		r, err := visit(t, s, good)
		if err != nil {
			t.Fatal(err)
		}
		if !r.Locked || r.DwellMS != 4000 || r.LockedMS != 4000 || r.Identity != "2126" || r.LevelDBm != -55.25 {
			t.Errorf("reading %+v", r)
		}
		// looks 3 to 7: the median is the fifth's, the lowest the third's
		if math.Abs(r.CNDB-20.5) > 1e-9 || math.Abs(r.CNLowDB-20.3) > 1e-9 || math.Abs(r.CNSpreadDB-math.Sqrt(0.025)) > 0.005 {
			t.Errorf("C/N %g, lowest %g, spread %g", r.CNDB, r.CNLowDB, r.CNSpreadDB)
		}
		if r.UncorrectedBlocks != 9 || r.TotalBlocks != 4*12894 || r.ErroredS != 3 {
			t.Errorf("errors %d of %d, %g s; want 9 of %d, 3 s", r.UncorrectedBlocks, r.TotalBlocks, r.ErroredS, 4*12894)
		}
		sc, ok := s.Scale(r.Scale)
		if !ok || sc.Unit != reception.UnitDB || sc.Quantity != reception.QuantityCN {
			t.Errorf("scale %+v, %v", sc, ok)
		}
		want := []string{"GET /status.json?key=s3cret", "GET /tune?f=569000000", "GET /status.json?key=s3cret"}
		if !slices.Equal(d.asked[:3], want) || d.asked[len(d.asked)-1] != "GET /free" || d.released != 1 {
			t.Errorf("asked for %q", d.asked)
		}
	})
}

// A counter that goes back has started anew; one that is not refreshed judges nothing.
func TestCounters(t *testing.T) {
	for _, c := range []struct {
		name               string
		bad, all           []any // of the five looks of the dwell
		errs, total        int64
		errored            float64
		preErrors, preBits int64
	}{
		{"reset", []any{100, 107, 2, 2, 3}, []any{1000, 2000, 500, 1500, 2500}, 8, 3000, math.NaN(), 8, 3000},
		{"no total", []any{5, 5, 5, 6, 6}, []any{nil, nil, nil, nil, nil}, 1, -1, 1, -1, -1},
		{"stands still", []any{5, 5, 5, 5, 5}, []any{9, 9, 9, 9, 9}, -1, -1, math.NaN(), -1, -1},
		{"not there", []any{nil, nil, nil, nil, nil}, []any{nil, nil, nil, nil, nil}, -1, -1, math.NaN(), -1, -1},
		{"more errors than blocks", []any{0, 5000, 5000, 5000, 5000}, []any{0, 10, 20, 30, 40}, -1, -1, 1, -1, -1},
		{"beyond 32 bits", []any{1e12, 1e12 + 1, 1e12 + 1, 1e12 + 1, 1e12 + 1}, []any{1e15, 1e15 + 9, 1e15 + 18, 1e15 + 27, 1e15 + 36}, 1, 36, 1, 1, 36},
		{"minus one", []any{-1, -1, -1, -1, -1}, []any{-1, -1, -1, -1, -1}, -1, -1, math.NaN(), -1, -1},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := options()
			o.Mapping = ".front | {locked: .lock, cn_db: .snr, uncorrected_blocks: .bad, total_blocks: .all, pre_errors: .bad, pre_bits: .all}"
			bubble(t, o, func(t *testing.T, d *device, s *Source) {
				n := -2 // two looks come before the dwell
				d.alter = func(f map[string]any) {
					k := min(max(n, 0), 4)
					f["bad"], f["all"] = c.bad[k], c.all[k]
					n++
				}
				r, err := visit(t, s, good)
				if err != nil {
					t.Fatal(err)
				}
				if r.UncorrectedBlocks != c.errs || r.TotalBlocks != c.total || !same(r.ErroredS, c.errored) || r.PreErrors != c.preErrors || r.PreBits != c.preBits {
					t.Errorf("errors %d of %d, %g s, pre %d of %d; want %d of %d, %g s, pre %d of %d", r.UncorrectedBlocks, r.TotalBlocks,
						r.ErroredS, r.PreErrors, r.PreBits, c.errs, c.total, c.errored, c.preErrors, c.preBits)
				}
			})
		})
	}
}

func same(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

// answers sets the whole status page.
func answers(code int, body string) func(*device) {
	return func(d *device) {
		d.page = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code); fmt.Fprint(w, body) }
	}
}

func alters(f func(map[string]any)) func(*device) { return func(d *device) { d.alter = f } }

// Each answer that cannot be used is one clear line that names the host, what was got
// and what is wanted, and never the address.
func TestAnswersThatCannotBeUsed(t *testing.T) {
	front := func(s string) func(*device) {
		return answers(200, `{"serial": "Q7", "inUse": false, "front": `+s+`}`)
	}
	for _, c := range []struct {
		name  string
		state func(*device)
		is    error
		want  string
	}{
		{"500", answers(500, "oops"), nil, "tuner.example: read_url: answer is 500 Internal Server Error"},
		{"401", answers(401, ""), nil, "read_url: answer is 401 Unauthorized; check user, password and headers"},
		{"page", answers(200, "<html>\n<h1>Log in</h1>"), nil, `read_url: answer is not JSON, it begins "<html>\n<h1>Log in</h1>"`},
		{"empty", answers(200, ""), nil, "read_url: answer is empty, want JSON"},
		{"huge", answers(200, strings.Repeat(" ", 2<<20)), nil, "answer is longer than 1 MiB"},
		{"null", front("null"), nil, "mapping gave a field that cannot be used: locked is null, want true or false"},
		{"renamed", front(`{"locked": true}`), nil, "locked is null, want true or false"},
		{"a list", answers(200, "[]"), nil, "device: jq: expected an object but got: array"},
		{"text for a number", front(`{"lock": true, "snr": "23.4 dB"}`), nil, `cn_db is the text "23.4 dB", want a number, or null where there is none (tonumber turns text into one)`},
		{"text for a flag", front(`{"lock": "yes"}`), nil, `locked is the text "yes", want true or false`},
		{"figures gone", front(`{"lock": true}`), nil, "null in every look at a locked channel, want numbers; has the device's answer changed its form?"},
		{"an object for text", front(`{"lock": true, "ts": {}}`), nil, "identity is an object, want text or a whole number"},
		{"half a block", front(`{"lock": true, "bad": 0.5}`), nil, "uncorrected_blocks is 0.5, want a whole number"},
		{"other device", answers(200, `{"serial": "Z9"}`), collector.ErrGone, `the answer is of another device: device is "Z9", want device_id "Q7"`},
		{"no device", answers(200, `{}`), nil, "device is null, want text or a whole number"},
		{"tenths", alters(func(f map[string]any) { f["snr"] = 234 }), nil, "mapping: cn_db 234 looks like tenths of a dB; divide it by 10"},
		{"another unit", alters(func(f map[string]any) { f["snr"] = 0.0234 }), nil, "mapping: cn_db 0.0234 of a locked 8-VSB channel is in another unit"},
		{"dBuV", alters(func(f map[string]any) { f["sig"] = 53.5 }), nil, "mapping: level_dbm 53.5 looks like dBuV; subtract 108.75"},
		{"kHz", alters(func(f map[string]any) { f["hz"] = 569000 }), nil, "mapping: frequency_hz 569000 looks like kHz"},
		{"taken meanwhile", func(d *device) { d.alter = func(f map[string]any) { f["hz"] = 605000000 } }, collector.ErrBusy, "it was tuned to 605000000 Hz meanwhile"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bubble(t, options(), func(t *testing.T, d *device, s *Source) {
				c.state(d)
				r, err := visit(t, s, good)
				if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "tuner.example: ") || strings.ContainsAny(err.Error(), "\n\r") {
					t.Fatalf("Visit = %+v, %v; want one line with %q", r, err, c.want)
				}
				if c.is != nil && !errors.Is(err, c.is) {
					t.Errorf("%v is not %v", err, c.is)
				}
				if strings.Contains(err.Error(), "s3cret") {
					t.Errorf("the address is shown: %v", err)
				}
			})
		})
	}
}

// Looks that fail shorten the dwell; the rest is measured, and said once.
func TestSomeLooksFail(t *testing.T) {
	var log bytes.Buffer
	o := options()
	o.Log = slog.New(slog.NewTextHandler(&log, nil))
	bubble(t, o, func(t *testing.T, d *device, s *Source) {
		for range 2 {
			n := 0
			d.page = func(w http.ResponseWriter, _ *http.Request) {
				if n++; n == 5 { // of the dwell's five the third
					w.WriteHeader(http.StatusInternalServerError)
					return
				}
				d.status(w)
			}
			r, err := visit(t, s, good)
			if err != nil || r.DwellMS != 2000 || !r.Locked || r.LockedMS != 2000 {
				t.Fatalf("Visit = %+v, %v; want 2 s measured", r, err)
			}
		}
		if got := log.String(); strings.Count(got, "some looks failed") != 1 || !strings.Contains(got, "500 Internal") {
			t.Errorf("log:\n%s", got)
		}
		d.page = nil
		if _, err := visit(t, s, good); err != nil || !strings.Contains(log.String(), "can be used again") {
			t.Errorf("after: %v, log:\n%s", err, log.String())
		}
	})
}

// An answer that comes late and in pieces is an answer; the seconds it took are known.
func TestSlowAnswersInPieces(t *testing.T) {
	bubble(t, options(), func(t *testing.T, d *device, s *Source) {
		d.page = func(w http.ResponseWriter, _ *http.Request) {
			rec := httptest.NewRecorder()
			d.status(rec)
			b := rec.Body.Bytes()
			for len(b) > 0 {
				n := min(len(b), 1+len(rec.Body.Bytes())/5)
				_, _ = w.Write(b[:n])
				w.(http.Flusher).Flush()
				b = b[n:]
				time.Sleep(300 * time.Millisecond)
			}
		}
		r, err := visit(t, s, good)
		if err != nil || r.DwellMS != 4000 || !r.Locked || !math.IsNaN(r.ErroredS) {
			t.Errorf("Visit = %+v, %v", r, err)
		}
	})
}

// A device that has not been tuned away from anybody: the wait is over at once.
func TestWithoutTuning(t *testing.T) {
	o := options()
	o.Tune, o.Release = "", ""
	bubble(t, o, func(t *testing.T, d *device, s *Source) {
		d.hz = goodHz
		from := time.Now()
		r, err := visit(t, s, good)
		if err != nil || !r.Locked || time.Since(from) != 4*time.Second {
			t.Errorf("Visit = %+v, %v after %v", r, err, time.Since(from))
		}
		_, err = visit(t, s, dark)
		if !errors.Is(err, collector.ErrChannel) || !strings.Contains(err.Error(), "without tune_url it stays there") {
			t.Errorf("another channel: %v", err)
		}
	})
}

func TestViewerIsNotDisturbed(t *testing.T) {
	bubble(t, options(), func(t *testing.T, d *device, s *Source) {
		d.taken = true
		if _, err := visit(t, s, good); !errors.Is(err, collector.ErrBusy) {
			t.Fatalf("Visit = %v, want busy", err)
		}
		if len(d.asked) != 1 {
			t.Errorf("asked for %q, want the status alone", d.asked)
		}
		d.taken = false
		n := 0
		d.page = func(w http.ResponseWriter, _ *http.Request) {
			if n++; n == 4 {
				d.set(func() { d.taken = true })
			}
			d.status(w)
		}
		if _, err := visit(t, s, good); !errors.Is(err, collector.ErrBusy) || d.released != 0 {
			t.Errorf("taken in the dwell: %v, released %d times; want busy, and left alone", err, d.released)
		}
	})
}

func TestReleaseThatFails(t *testing.T) {
	var log bytes.Buffer
	o := options()
	o.Release = "http://tuner.example/gone-for-good?key=s3cret"
	o.Log = slog.New(slog.NewTextHandler(&log, nil))
	bubble(t, o, func(t *testing.T, d *device, s *Source) {
		d.page = func(w http.ResponseWriter, r *http.Request) {
			if strings.HasPrefix(r.URL.Path, "/gone") {
				http.NotFound(w, r)
				return
			}
			d.status(w)
		}
		for range 2 {
			if _, err := visit(t, s, good); err != nil {
				t.Fatal(err)
			}
		}
		if got := log.String(); strings.Count(got, "could not be given back") != 1 || !strings.Contains(got, "404 Not Found") || strings.Contains(got, "s3cret") {
			t.Errorf("log:\n%s", got)
		}
	})
}

func TestQualityInPerCent(t *testing.T) {
	o := options()
	o.Mapping = ".front | {locked: .lock, quality_pct: .snr}"
	bubble(t, o, func(t *testing.T, d *device, s *Source) {
		r, err := visit(t, s, good)
		sc, _ := s.Scale(r.Scale)
		if err != nil || r.QualityPct != 23.4 || sc.Unit != reception.UnitPercent {
			t.Errorf("Visit = %+v, %v, scale %+v", r, err, sc)
		}
		d.alter = func(f map[string]any) { f["snr"] = 170 }
		if _, err := visit(t, s, good); err == nil || !strings.Contains(err.Error(), "looks like 0 to 255") {
			t.Errorf("170 %%: %v", err)
		}
	})
}

func TestRequestsCarryWhatTheyMust(t *testing.T) {
	o := options()
	o.User, o.Password, o.Method = "me", "pw", http.MethodPost
	o.Headers = []Header{{"X-Key", "k1"}}
	bubble(t, o, func(t *testing.T, d *device, s *Source) {
		d.page = func(w http.ResponseWriter, r *http.Request) {
			if u, p, ok := r.BasicAuth(); !ok || u != "me" || p != "pw" || r.Header.Get("X-Key") != "k1" || r.Header.Get("User-Agent") != "holdfast" {
				t.Errorf("header %v", r.Header)
			}
			d.status(w)
		}
		if _, err := visit(t, s, good); err != nil || d.asked[1] != "POST /tune?f=569000000" || d.asked[0] != "GET /status.json?key=s3cret" {
			t.Errorf("asked for %q, %v", d.asked, err)
		}
	})
}

func TestChannelWithoutNumber(t *testing.T) {
	o := options()
	o.Tune = "http://tuner.example/tune/{rf}"
	bubble(t, o, func(t *testing.T, d *device, s *Source) {
		c := good
		c.RF = 0
		if _, err := visit(t, s, c); !errors.Is(err, collector.ErrChannel) || len(d.asked) != 0 {
			t.Errorf("Visit = %v after %q, want cannot receive", err, d.asked)
		}
	})
}

func TestOptions(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Options)
		want   string
	}{
		{"no page", func(o *Options) { o.Read = "" }, "read_url: is missing"},
		{"no map", func(o *Options) { o.Mapping = "" }, "mapping: is missing"},
		{"bad map", func(o *Options) { o.Mapping = "{" }, "mapping: jq: unexpected"},
		{"input", func(o *Options) { o.Mapping = "input" }, "mapping: jq: input(s)/0 is not allowed"},
		{"env", func(o *Options) { o.Device = "env.HOME" }, "device: jq: env and $ENV"},
		{"device alone", func(o *Options) { o.DeviceID = "" }, "device: device and device_id go together"},
		{"metadata", func(o *Options) { o.Read = "http://169.254.169.254/latest" }, "read_url: this address is not fetched from"},
		{"file", func(o *Options) { o.Tune = "file:///etc/passwd" }, "tune_url: is no web address"},
		{"release alone", func(o *Options) { o.Tune = "" }, "release_url: there is no tune_url"},
		{"method", func(o *Options) { o.Method = "DELETE" }, "tune_method"},
		{"timeout", func(o *Options) { o.Timeout = time.Hour }, "timeout: 1h0m0s is outside"},
		{"quantity", func(o *Options) { o.Meaning = fields.Meaning{Quantity: "snr"} }, `quantity: "snr" is not known`},
	} {
		o := options()
		c.change(&o)
		if _, err := New(o); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// Over real sockets: a device that is there, and one that is not.
func TestRealSockets(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{"lock": 1, "snr": 30.5}`) }))
	defer srv.Close()
	s, err := New(Options{Read: srv.URL, Mapping: "{locked: .lock, cn_db: .snr}"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	v := collector.Visit{Channel: good, Dwell: time.Second, Kind: reception.VisitBase}
	if r, err := s.Visit(t.Context(), v); err != nil || r.CNDB != 30.5 || !r.Locked {
		t.Errorf("Visit = %+v, %v", r, err)
	}
	srv.Close()
	if _, err := s.Visit(t.Context(), v); !errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "refused") {
		t.Errorf("without the device: %v", err)
	}
	none, err := New(Options{Read: "http://no-such-host.invalid/", Mapping: "."})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	var dns *net.DNSError
	if _, err := none.Visit(ctx, v); !errors.Is(err, collector.ErrGone) && !errors.Is(err, collector.ErrHung) && !errors.As(err, &dns) {
		t.Errorf("a host that is not there: %v", err)
	}
}

// An expression that yields anything but one value, or has no end.
func TestMappingsThatDoNotMap(t *testing.T) {
	for text, want := range map[string]string{
		"empty":                                   "mapping: the expression yields nothing",
		"{locked: .front.lock, cn_db: (1, 2)}":    "mapping: the expression yields 2 values, want one",
		"error(\"no\\nway\")":                     "mapping: jq: error: no way",
		".front":                                  `mapping gave a field that cannot be used: field "all" is not known, want some of busy, error, locked`,
		"{locked: .front.lock, cn_low_db: 3}":     `field "cn_low_db" is not known`,
		"{error: \"antenna is not connected\"}":   "the device says: antenna is not connected",
		"{locked: .front.lock, cn_db: (0/0)}":     "mapping: jq: cannot divide",
		"{locked: .front.lock, cn_db: nan}":       "cn_db is NaN, want a number, or null",
		"{locked: .front.lock, cn_db: infinite }": "want a number, or null",
	} {
		o := options()
		o.Mapping, o.Tune, o.Release = text, "", ""
		bubble(t, o, func(t *testing.T, d *device, s *Source) {
			d.hz = goodHz
			if _, err := visit(t, s, good); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: %v, want %q", text, err, want)
			}
		})
	}
}

// Outside a bubble, whose clock stands still while something is busy.
func TestMappingWithoutEnd(t *testing.T) {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{}`) }))
	defer srv.Close()
	s, err := New(Options{Read: srv.URL, Mapping: "def f: f; f"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	_, err = s.Visit(t.Context(), collector.Visit{Channel: good, Dwell: time.Second, Kind: reception.VisitBase})
	if err == nil || !strings.Contains(err.Error(), "mapping: no end within 500ms; make the expression simpler") {
		t.Errorf("Visit = %v", err)
	}
}

// For some time after tuning a device shows the channel before.
func TestOldFiguresAfterTuning(t *testing.T) {
	bubble(t, options(), func(t *testing.T, d *device, s *Source) {
		d.alter = func(f map[string]any) {
			if time.Since(d.since) < 900*time.Millisecond {
				f["lock"], f["snr"], f["hz"], f["bad"] = true, 35.0, 605000000, 999
			}
		}
		r, err := visit(t, s, good)
		if err != nil || r.CNDB != 23.4 || r.CNSpreadDB > 1e-9 || r.UncorrectedBlocks != 0 {
			t.Errorf("Visit = %+v, %v; want the new channel's figures alone", r, err)
		}
	})
}

// A device that stops answering in the dwell: the visit ends with its context, giving
// back included; without one each request has its time.
func TestHangsInTheDwell(t *testing.T) {
	for _, limit := range []time.Duration{4 * time.Second, time.Minute} {
		bubble(t, options(), func(t *testing.T, d *device, s *Source) {
			release := make(chan struct{})
			defer close(release)
			stop := time.AfterFunc(1500*time.Millisecond, func() { d.set(func() { d.hang = release }) })
			defer stop.Stop()
			ctx, cancel := context.WithTimeout(t.Context(), limit)
			defer cancel()
			from := time.Now()
			_, err := s.Visit(ctx, collector.Visit{Channel: good, Dwell: 5 * time.Second, LockWait: 2 * time.Second, Kind: reception.VisitBase})
			took := time.Since(from)
			if !errors.Is(err, collector.ErrHung) {
				t.Errorf("within %v: %v, want hung", limit, err)
			}
			if took > limit+time.Second || took > 15*time.Second {
				t.Errorf("within %v: returned after %v", limit, took)
			}
		})
	}
}

// Lock that comes and goes: what was lost is in the locked time and the errored seconds.
func TestLockThatComesAndGoes(t *testing.T) {
	for _, c := range []struct {
		locks    [5]bool
		locked   bool
		lockedMS int64
	}{
		{[5]bool{true, true, true, false, false}, true, 2000},
		{[5]bool{true, true, false, false, false}, false, 1000},
		{[5]bool{false, true, false, true, false}, false, 0},
	} {
		bubble(t, options(), func(t *testing.T, d *device, s *Source) {
			n := -2
			d.alter = func(f map[string]any) {
				f["lock"] = n < 0 || c.locks[min(n, 4)]
				n++
			}
			r, err := visit(t, s, good)
			if err != nil || r.Locked != c.locked || r.LockedMS != c.lockedMS || r.ErroredS != float64(4000-c.lockedMS)/1000 {
				t.Errorf("locks %v: locked %v for %d ms, %g s with errors, %v", c.locks, r.Locked, r.LockedMS, r.ErroredS, err)
			}
		})
	}
}

// A name that leads to an address which is not fetched from is no missing device.
func TestRefusedAddress(t *testing.T) {
	bubble(t, options(), func(t *testing.T, d *device, s *Source) {
		s.client = address.NewClient(func(context.Context, string, string) (net.Conn, error) {
			return nil, &net.OpError{Op: "dial", Net: "tcp", Err: address.Reachable(netip.MustParseAddr("169.254.169.254"))}
		})
		_, err := visit(t, s, good)
		if !errors.Is(err, address.ErrRefused) || errors.Is(err, collector.ErrGone) || !strings.Contains(err.Error(), "read_url") {
			t.Errorf("Visit = %v, want refused", err)
		}
	})
}

// Probe shows both ends of the mapping, also where the mapping or what it yields is
// wrong.
func TestProbe(t *testing.T) {
	for _, c := range []struct {
		name    string
		mapping string
		alter   func(front map[string]any)
		made    string // part of it
		fault   string // part of it
	}{
		{"good", frontMap, nil, `"locked":false`, ""},
		{"another name", `{locked: .front.locked}`, nil, `{"locked":null}`, "locked is null"},
		{"no number", `{locked: .front.lock, cn_db: .serial}`, nil, `"cn_db":"Q7"`, "cn_db"},
		{"no jq of this", `.front.lock.deeper`, nil, "", "mapping"},
		{"another device", frontMap, func(front map[string]any) {}, `"locked":false`, "another device"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := newDevice(t)
				o := options()
				o.Mapping = c.mapping
				if c.alter != nil {
					o.DeviceID = "Q8"
				}
				s := open(t, d, o)
				p := s.Probe(t.Context(), collector.Visit{Channel: reception.Channel{FrequencyHz: goodHz, System: reception.ATSC1}, Dwell: time.Second})
				if !strings.Contains(p.Sent, `"serial":"Q7"`) || !strings.Contains(p.Made, c.made) || (c.made == "") != (p.Made == "") {
					t.Errorf("sent %s, made %s, want %s", p.Sent, p.Made, c.made)
				}
				if (p.Err == nil) != (c.fault == "") || p.Err != nil && !strings.Contains(p.Err.Error(), c.fault) {
					t.Errorf("error %v, want %q", p.Err, c.fault)
				}
				if strings.Contains(p.Sent+p.Made+fmt.Sprint(p.Err), "s3cret") {
					t.Errorf("a secret is shown: %+v", p)
				}
				d.set(func() {
					for _, a := range d.asked {
						if strings.Contains(a, "/tune") {
							t.Errorf("the device was tuned: %v", d.asked)
						}
					}
				})
			})
		})
	}
	synctest.Test(t, func(t *testing.T) {
		d := newDevice(t)
		s := open(t, d, options())
		d.unplug()
		if p := s.Probe(t.Context(), collector.Visit{Dwell: time.Second}); p.Err == nil || p.Sent != "" {
			t.Errorf("of a device that is not there: %+v", p)
		}
	})
}
