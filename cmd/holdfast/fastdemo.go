package main

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"time"

	"holdfast/alerting"
	"holdfast/alerting/notify/webhook"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/cmd/internal/client"
	"holdfast/cmd/internal/daemon"
	"holdfast/collector/weather"
	"holdfast/configs"
	"holdfast/configs/zones"
)

// A fastDemo is how the life of an alarm is shown.
type fastDemo struct {
	seed  uint64
	speed float64       // seconds of the home's time in a second
	past  time.Duration // what is measured before it begins
	away  time.Duration // the tuner is unplugged
}

// What happens in the home, from the beginning. The alarm is raised half an hour after
// the tuner went and cleared ten minutes after it measures again; between lies time for
// somebody to see it.
const (
	awayTuner = "hall-2"
	goesAfter = 3 * time.Minute
	endsAfter = 3 * time.Hour // whatever happens
)

// fastDemo runs the invented home in fast time, unplugs a tuner and tells what becomes of
// it. One clock rules everything: visits, tallies, weather and alarms.
func (e *env) fastDemo(ctx context.Context, o fastDemo) (err error) {
	start := time.Now().Truncate(time.Second)
	dir, err := os.MkdirTemp("", "holdfast-demo-")
	if err != nil {
		return fmt.Errorf("make a temporary data folder: %w", err)
	}
	defer func() {
		if rmErr := os.RemoveAll(dir); rmErr != nil && err == nil {
			err = fmt.Errorf("remove the demo's data folder: %w", rmErr)
		}
	}()
	cfg, err := configs.Demo()
	if err != nil {
		return err
	}
	zone, err := zones.Load(cfg.Home.TimeZone)
	if err != nil {
		return err
	}
	world := firstworld.New(o.seed, start)
	fmt.Fprintln(e.errOut, "Making three weeks of an invented home's past, and importing them ...")
	if _, err := e.demoPast(ctx, cfg, dir, world, start.Add(-o.past), start); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}

	bell, err := listenBell(rand.Text())
	if err != nil {
		return err
	}
	defer bell.close()
	cfg.Tell = []configs.Tell{{Name: "bell", Kind: "webhook", URL: configs.NewSecret(bell.url), Secret: configs.NewSecret(bell.secret)}}

	began := time.Now()
	now := func() time.Time {
		return start.Add(time.Duration(float64(time.Since(began)) * o.speed))
	}
	goes := start.Add(goesAfter)
	backs := goes.Add(o.away)
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var address string
	started := make(chan struct{})
	ran := make(chan error, 1)
	go func() {
		ran <- daemon.Run(ctx, daemon.Params{
			Config: cfg, DataDir: dir, Log: e.logger(slog.LevelError), Version: version(), Now: now, Speed: o.speed,
			World:   func(int) *firstworld.World { return world },
			Weather: []weather.Source{&worldWeather{world, start, now}},
			Away: func(tuner string, at time.Time) bool {
				return tuner == awayTuner && !at.Before(goes) && at.Before(backs)
			},
			Bound:   func(url string) { address = url },
			AnyPort: true,
			Started: func() { close(started) },
		})
	}()
	select {
	case <-started:
	case err := <-ran:
		return err
	}
	t := &teller{out: e.out, width: e.width(), now: now, zone: zone, speed: o.speed}
	err = t.tell(ctx, bell, dir, address, goes, backs)
	stop()
	return errors.Join(err, <-ran)
}

// A bell is a small receiver of webhooks, as anybody could write one.
type bell struct {
	url, secret string
	rang        chan webhook.Body
	server      *http.Server
	served      chan struct{}
}

func listenBell(secret string) (*bell, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("open the demo's receiver: %w", err)
	}
	b := &bell{url: "http://" + l.Addr().String() + "/", secret: secret, rang: make(chan webhook.Body, 100), served: make(chan struct{})}
	b.server = &http.Server{Handler: b, ReadTimeout: 10 * time.Second}
	go func() {
		_ = b.server.Serve(l)
		close(b.served)
	}()
	return b, nil
}

func (b *bell) close() {
	_ = b.server.Close()
	<-b.served
}

// ServeHTTP takes a message whose signature is good.
func (b *bell) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 1<<20))
	stamp := r.Header.Get(webhook.TimestampHeader)
	if err != nil || !hmac.Equal([]byte(r.Header.Get(webhook.SignatureHeader)), []byte(webhook.Sign(b.secret, stamp, body))) {
		http.Error(w, "the signature is not good", http.StatusUnauthorized)
		return
	}
	var m webhook.Body
	if err := json.Unmarshal(body, &m); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	select {
	case b.rang <- m:
		w.WriteHeader(http.StatusNoContent)
	default:
		http.Error(w, "too many at once; later", http.StatusServiceUnavailable)
	}
}

// A teller tells on the terminal what happens.
type teller struct {
	out   io.Writer
	width int
	now   func() time.Time
	zone  *time.Location
	speed float64
}

// say prints what happened at an instant of the home's time, and more below it.
func (t *teller) say(at time.Time, what string, more ...string) {
	const indent = "        "
	fmt.Fprintf(t.out, "\n%s   %s\n", at.In(t.zone).Format("15:04"), what)
	for _, m := range more {
		for _, line := range strings.Split(wrapped(m, max(40, t.width-len(indent))), "\n") {
			fmt.Fprintln(t.out, strings.TrimRight(indent+line, " "))
		}
	}
}

// at waits for an instant of the home's time.
func (t *teller) at(when time.Time) <-chan time.Time {
	return time.After(time.Duration(float64(when.Sub(t.now())) / t.speed))
}

// tell follows the alarm from the cut to its end.
func (t *teller) tell(ctx context.Context, b *bell, dir, address string, goes, backs time.Time) error {
	fmt.Fprintf(t.out, `
The life of one alarm, with a minute passing in %s. The times are the
home's; its page is at %s all the while.
`, time.Duration(float64(time.Minute)/t.speed).Round(time.Millisecond), address)
	home := client.Socket(daemon.SocketPath(dir))
	defer home.Close()
	out, in, end := t.at(goes), t.at(backs), t.at(goes.Add(endsAfter))
	var sequence []string
	seen := false
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-end:
			return fmt.Errorf("the alarm did not live to its end; so far: %s", strings.Join(sequence, ", "))
		case <-out:
			t.say(goes, "Somebody unplugs the tuner "+awayTuner+".",
				"What it would measure is not measured now: that is no loss of a channel. holdfast waits half an hour before it says anything: a tuner may be in use or starting again.")
		case <-in:
			t.say(backs, "The tuner "+awayTuner+" is plugged in again.",
				"The alarm stays until it has measured for ten minutes: what flaps is one alarm.")
		case m := <-b.rang:
			a := m.Alarm
			if a.Condition != string(alerting.TunerSilent) || a.Scope != awayTuner {
				t.say(t.now(), "Also told:", m.Message)
				continue
			}
			// The journal had it before anybody was told.
			as, err := home.Alarms(ctx)
			if err != nil {
				return err
			}
			kept := false
			for _, j := range as.Alarms {
				kept = kept || j.ID == a.ID
			}
			if !kept {
				return fmt.Errorf("alarm %s was delivered and is not in the journal", a.ID)
			}
			at, err := time.Parse(time.RFC3339, m.Time)
			if err != nil {
				return fmt.Errorf("read the time of the message: %w", err)
			}
			switch alerting.EventKind(m.Event) {
			case alerting.Raised:
				sequence = append(sequence, "raised", "delivered")
				t.say(at, "Raised: the alarm is in the journal, for "+a.For+".")
				t.say(t.now(), "Delivered: the receiver at "+strings.TrimSuffix(strings.TrimPrefix(b.url, "http://"), "/")+" has it, and its signature is good.", m.Message)
				t.say(t.now(), "Say that you have seen it, from another terminal:")
				fmt.Fprintf(t.out, "        holdfast alarm acknowledge --data %s '%s'\n", dir, a.ID) // whole, to be copied
			case alerting.Acknowledged:
				seen = true
				sequence = append(sequence, "acknowledged")
				t.say(at, "Acknowledged: everybody who was told knows that somebody looks after it.")
			case alerting.ClearedEvent:
				sequence = append(sequence, "cleared")
				more := []string{m.Message}
				if !seen {
					more = append(more, "Nobody acknowledged it. It clears all the same.")
				}
				t.say(at, "Cleared: the tuner measures, and everybody who was told hears of it.", more...)
				fmt.Fprintf(t.out, "\nThat was its whole life: %s. The demo's data are removed now.\n", strings.Join(sequence, ", "))
				return nil
			}
		}
	}
}
