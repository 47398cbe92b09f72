package dashboards

import (
	"bytes"
	"fmt"
	"net/http"

	"holdfast/analysis/answer"
	"holdfast/dashboards/words"
)

// channelJSON is a channel of the home with what was last seen of it.
type channelJSON struct {
	RF          int        `json:"rf"`
	FrequencyHz int64      `json:"frequency_hz"`
	Layer       string     `json:"layer"`
	System      string     `json:"system"`
	Name        string     `json:"name"`
	Screen      string     `json:"screen"`
	Transmitter string     `json:"transmitter"`
	Wanted      bool       `json:"wanted"`
	Identity    string     `json:"identity"` // that the config expects
	Seen        []seenJSON `json:"seen"`
}

type seenJSON struct {
	Tuner        string        `json:"tuner"`
	Installation string        `json:"installation"`
	Latest       answer.Latest `json:"latest"`
}

// channels lists the home's channels with what each tuner saw last.
func (s *Server) channels(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	facts, err := s.backend.Facts(ctx)
	if err != nil {
		s.fail(w, r, fmt.Errorf("read the home: %w", err))
		return
	}
	width, err := textWidth(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a, err := s.backend.Answer(ctx, 0, 0, 0)
	if err != nil {
		s.fail(w, r, fmt.Errorf("answer: %w", err))
		return
	}
	wf := words.Facts{Zone: zone(facts.Home), NowMS: int64(a.AsOf), Channels: facts.Channels}
	switch f := r.URL.Query().Get("format"); f {
	case "", "json":
		out := []channelJSON{}
		for _, c := range words.ChannelsSeen(a, wf) {
			j := channelJSON{c.RF, c.FrequencyHz, c.Layer, string(c.System), c.Name, c.Screen, c.Transmitter, c.Wanted, c.Identity, []seenJSON{}}
			for _, e := range c.By {
				j.Seen = append(j.Seen, seenJSON{e.Tuner, e.Installation, e.Latest})
			}
			out = append(out, j)
		}
		s.sendJSON(w, r, map[string]any{"channels": out, "time_zone": facts.Home.TimeZone})
	case "text":
		var b bytes.Buffer
		if err := words.ChannelsText(&b, a, wf, width); err != nil {
			s.fail(w, r, err)
			return
		}
		send(w, r, http.StatusOK, "text/plain; charset=utf-8", b.Bytes())
	default:
		s.fail(w, r, badRequest{fmt.Errorf("format=%q; want json or text", f)})
	}
}
