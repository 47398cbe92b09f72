package dashboards

import (
	"fmt"
	"net/http"

	"holdfast/analysis/answer"
)

// A HealthReport is what the process that holds a home knows of itself, as /api/health
// gives it.
type HealthReport struct {
	Version string       `json:"version"`
	Ready   string       `json:"ready"` // "" once everything has started, else what has not
	Facts   []HealthFact `json:"facts"`
}

// A HealthFact is one of them; Detail is a line for people, mostly empty where all is
// well.
type HealthFact struct {
	Kind    string      `json:"kind"` // tuner, weather, disk, store, clock
	Subject string      `json:"subject"`
	OK      bool        `json:"ok"`
	Since   answer.Time `json:"since"`
	Detail  string      `json:"detail"`
}

func (s *Server) health(w http.ResponseWriter, r *http.Request) {
	facts, err := s.backend.Health(r.Context())
	if err != nil {
		s.fail(w, r, fmt.Errorf("read health: %w", err))
		return
	}
	h := HealthReport{Version: s.options.Version, Facts: make([]HealthFact, 0, len(facts))}
	if err := s.backend.Ready(r.Context()); err != nil {
		h.Ready = err.Error()
	}
	for _, f := range facts {
		h.Facts = append(h.Facts, HealthFact{string(f.Kind), f.Subject, f.OK, answer.Time(f.Since), f.Detail})
	}
	s.sendJSON(w, r, h)
}
