package dashboards

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"holdfast/alerting"
	"holdfast/analysis/answer"
	"holdfast/analysis/reception"
	"holdfast/configs/zones"
	"holdfast/dashboards/words"
)

// zone returns the home's time zone; one that the program does not know is UTC.
func zone(h reception.Home) *time.Location {
	if z, err := zones.Load(h.TimeZone); err == nil {
		return z
	}
	return time.UTC
}

// timeParam reads an instant: RFC 3339, Unix milliseconds, or a local date with or
// without a time. Without the parameter it is 0. Instants that no reading can have are
// refused: a span of thousands of years would be drawn month by month.
func timeParam(r *http.Request, name string, z *time.Location) (int64, error) {
	ms, err := parseInstant(r, name, z)
	if err == nil && ms != 0 && (ms < reception.EarliestMS || ms > reception.LatestMS) {
		return 0, badRequest{fmt.Errorf("%s=%q is not between the years 2000 and 2100", name, r.URL.Query().Get(name))}
	}
	return ms, err
}

func parseInstant(r *http.Request, name string, z *time.Location) (int64, error) {
	v := r.URL.Query().Get(name)
	if v == "" {
		return 0, nil
	}
	if ms, err := strconv.ParseInt(v, 10, 64); err == nil && ms >= reception.EarliestMS && ms <= reception.LatestMS {
		return ms, nil
	}
	for _, form := range []string{time.RFC3339, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(form, v); err == nil {
			return t.UnixMilli(), nil
		}
	}
	for _, form := range []string{time.DateOnly, "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if t, err := time.ParseInLocation(form, v, z); err == nil {
			return t.UnixMilli(), nil
		}
	}
	return 0, badRequest{fmt.Errorf("%s=%q is no time; write 2026-06-03, 2026-06-03T21:42, RFC 3339 or Unix milliseconds", name, v)}
}

// span reads from, to and at and checks their order.
func span(r *http.Request, z *time.Location) (from, to, at int64, err error) {
	if from, err = timeParam(r, "from", z); err != nil {
		return
	}
	if to, err = timeParam(r, "to", z); err != nil {
		return
	}
	if at, err = timeParam(r, "at", z); err != nil {
		return
	}
	if from != 0 && to != 0 && from >= to {
		err = badRequest{fmt.Errorf("from lies at or after to; want an earlier from or a later to")}
	}
	return
}

// answer serves the machine contract, or the same as text for people.
func (s *Server) answer(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	facts, err := s.backend.Facts(ctx)
	if err != nil {
		s.fail(w, r, fmt.Errorf("read the home: %w", err))
		return
	}
	from, to, at, err := span(r, zone(facts.Home))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a, err := s.fullAnswer(ctx, from, to, at)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	switch f := r.URL.Query().Get("format"); f {
	case "", "json":
		s.sendJSON(w, r, a)
	case "text":
		width, err := textWidth(r)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		wf, err := s.wordFacts(ctx, facts, a)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		if at == 0 { // of the past nobody knows
			health, err := s.backend.Health(ctx)
			if err != nil {
				s.fail(w, r, fmt.Errorf("read health: %w", err))
				return
			}
			wf.Faults = faults(health)
		}
		var b bytes.Buffer
		if err := words.AnswerText(&b, a, wf, width); err != nil {
			s.fail(w, r, err)
			return
		}
		send(w, r, http.StatusOK, "text/plain; charset=utf-8", b.Bytes())
	default:
		s.fail(w, r, badRequest{fmt.Errorf("format=%q; want json or text", f)})
	}
}

// textWidth reads the width that text is written for; 0 is the usual one.
func textWidth(r *http.Request) (int, error) {
	v := r.URL.Query().Get("width")
	if v == "" {
		return 0, nil
	}
	width, err := strconv.Atoi(v)
	if err != nil || width < 40 || width > 500 {
		return 0, badRequest{fmt.Errorf("width=%q; want 40 to 500 columns", v)}
	}
	return width, nil
}

// explain tells, as text, the story of the dropouts at a time.
func (s *Server) explain(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	facts, err := s.backend.Facts(ctx)
	if err != nil {
		s.fail(w, r, fmt.Errorf("read the home: %w", err))
		return
	}
	at, err := timeParam(r, "time", zone(facts.Home))
	if err == nil && at == 0 {
		err = badRequest{errors.New("time is missing; want the time of a dropout")}
	}
	width, werr := textWidth(r)
	if err = cmp.Or(err, werr); err != nil {
		s.fail(w, r, err)
		return
	}
	a, err := s.backend.Answer(ctx, 0, 0, 0)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	wf, err := s.wordFacts(ctx, facts, a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var b bytes.Buffer
	if err := words.ExplainText(&b, a, wf, at, r.FormValue("channel"), width); err != nil {
		s.fail(w, r, err)
		return
	}
	send(w, r, http.StatusOK, "text/plain; charset=utf-8", b.Bytes())
}

// fullAnswer is the answer with its alarms and with every list there, if empty.
func (s *Server) fullAnswer(ctx context.Context, from, to, at int64) (answer.Answer, error) {
	a, err := s.backend.Answer(ctx, from, to, at)
	if err != nil {
		return a, fmt.Errorf("answer: %w", err)
	}
	lo, hi := int64(a.Measured.From), int64(a.Measured.To)
	if from != 0 {
		lo = from
	}
	if to != 0 {
		hi = to
	}
	if hi == 0 {
		hi = int64(a.AsOf)
	}
	as, err := s.backend.Alarms(ctx, lo, hi)
	if err != nil {
		return a, fmt.Errorf("read alarms: %w", err)
	}
	a.Alarms = make([]answer.Alarm, 0, len(as))
	for _, l := range as {
		a.Alarms = append(a.Alarms, alarmOf(l))
	}
	fillLists(&a)
	return a, nil
}

func alarmOf(l alerting.Alarm) answer.Alarm {
	ch := l.Channels
	if ch == nil {
		ch = []int{}
	}
	return answer.Alarm{
		Since: answer.Time(l.Since), Raised: answer.Time(l.Raised), Cleared: answer.Time(l.Cleared), Acknowledged: answer.Time(l.Acknowledged),
		Severity: string(l.Severity), Condition: string(l.Condition), Cause: l.Cause, Channels: ch, Text: l.Text, Origin: l.Origin,
	}
}

// fillLists turns missing lists into empty ones: programs rely on arrays. The
// backend's slices are not written to.
func fillLists(a *answer.Answer) {
	a.Channels = append([]answer.Channel{}, a.Channels...)
	for i := range a.Channels {
		c := &a.Channels[i]
		c.Dropouts = append([]answer.Dropout{}, c.Dropouts...)
		for j := range c.Dropouts {
			if c.Dropouts[j].Also == nil {
				c.Dropouts[j].Also = []answer.Cause{}
			}
		}
		if c.Outlook == nil {
			c.Outlook = []answer.Outlook{}
		}
	}
	a.Changes = append([]answer.Change{}, a.Changes...)
	for i := range a.Changes {
		c := &a.Changes[i]
		if c.Also == nil {
			c.Also = []answer.Cause{}
		}
		if c.Channels == nil {
			c.Channels = []int{}
		}
	}
	if a.Comparisons == nil {
		a.Comparisons = []answer.Comparison{}
	}
}

func (s *Server) alarms(w http.ResponseWriter, r *http.Request) {
	facts, err := s.backend.Facts(r.Context())
	if err != nil {
		s.fail(w, r, fmt.Errorf("read the home: %w", err))
		return
	}
	from, to, _, err := span(r, zone(facts.Home))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	as, err := s.backend.Alarms(r.Context(), from, to)
	if err != nil {
		s.fail(w, r, fmt.Errorf("read alarms: %w", err))
		return
	}
	out := make([]alarmJSON, 0, len(as))
	for _, a := range as {
		out = append(out, alarmJSON{a.ID, a.Scope, a.Waits(), alarmOf(a)})
	}
	s.sendJSON(w, r, map[string]any{"alarms": out, "time_zone": facts.Home.TimeZone})
}

// alarmJSON is an alarm of the contract with what is needed to acknowledge it.
type alarmJSON struct {
	ID    string `json:"id"`
	Scope string `json:"scope"`
	Waits bool   `json:"waits"` // for somebody to acknowledge it
	answer.Alarm
}

// acknowledge marks an alarm as seen. A browser's form goes back to the page.
func (s *Server) acknowledge(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	id := r.FormValue("id")
	if id == "" {
		s.fail(w, r, badRequest{fmt.Errorf("id is missing; send the form value id=... as /api/alarms lists it")})
		return
	}
	err := s.backend.Acknowledge(r.Context(), id)
	if errors.Is(err, alerting.ErrNoAlarm) {
		s.fail(w, r, badRequest{fmt.Errorf("%w; /api/alarms lists those that stand", err)})
		return
	}
	if err != nil {
		s.fail(w, r, fmt.Errorf("acknowledge alarm %q: %w", id, err))
		return
	}
	if strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Redirect(w, r, "/holding#alarms", http.StatusSeeOther)
		return
	}
	s.sendJSON(w, r, map[string]string{"acknowledged": id})
}

// tryWay sends a sample by a way of telling. What does not reach anybody is the way's
// fault, not ours.
func (s *Server) tryWay(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 64<<10)
	name := r.FormValue("name")
	if name == "" {
		s.fail(w, r, badRequest{fmt.Errorf("name is missing; send the form value name=... of a way of telling in the config")})
		return
	}
	answer, err := s.backend.TryWay(r.Context(), name)
	if err != nil {
		b, _ := json.Marshal(map[string]string{"error": err.Error()}) // strings marshal
		send(w, r, http.StatusBadGateway, typeJSON, append(b, '\n'))
		return
	}
	s.sendJSON(w, r, map[string]string{"name": name, "answer": answer})
}
