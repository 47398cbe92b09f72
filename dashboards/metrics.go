package dashboards

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"holdfast/analysis/answer"
)

// scrapeTime bounds the answer that a scrape waits for: Prometheus' own default
// time-out is 10 s.
const scrapeTime = 9 * time.Second

// newMetrics makes the handler of /metrics over a registry of its own.
func (s *Server) newMetrics() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	reg.MustRegister(&answerCollector{s})
	for _, c := range s.options.Collectors {
		reg.MustRegister(c) // two of one name are a fault of the wiring
	}
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{Registry: reg, EnableOpenMetrics: true})
}

// answerCollector turns the answer into gauges at each scrape.
type answerCollector struct{ s *Server }

var channelLabels = []string{"frequency_hz", "layer", "rf", "name", "tuner", "installation"}

// A gauge is one figure of a channel.
type gauge struct {
	desc  *prometheus.Desc
	value func(c answer.Channel) float64
}

func channelGauge(name, help string, value func(c answer.Channel) float64) gauge {
	return gauge{prometheus.NewDesc(name, help, channelLabels, nil), value}
}

// estimate makes three gauges of one: the value and the ends of its 95 % interval.
func estimate(stem, unit, help string, e func(c answer.Channel) answer.Est) []gauge {
	return []gauge{
		channelGauge(stem+"_"+unit, help+".", func(c answer.Channel) float64 { return e(c).Value }),
		channelGauge(stem+"_low_"+unit, help+": low end of the 95 % interval.", func(c answer.Channel) float64 { return e(c).Low }),
		channelGauge(stem+"_high_"+unit, help+": high end of the 95 % interval.", func(c answer.Channel) float64 { return e(c).High }),
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func latest(c answer.Channel, v float64) float64 {
	if c.Latest.Time == 0 {
		return math.NaN()
	}
	return v
}

var channelGauges = func() []gauge {
	g := []gauge{
		channelGauge("holdfast_locked", "Whether the last visit found lock: 1 or 0.",
			func(c answer.Channel) float64 { return latest(c, truth(c.Latest.Locked)) }),
		channelGauge("holdfast_carrier_to_noise_decibels", "C/N (or MER, by the tuner's scale) at the last visit.",
			func(c answer.Channel) float64 { return latest(c, float64(c.Latest.CNDB)) }),
		channelGauge("holdfast_level_decibelmilliwatts", "Level at the last visit.",
			func(c answer.Channel) float64 { return latest(c, float64(c.Latest.LevelDBm)) }),
		channelGauge("holdfast_margin_decibels", "C/N above the threshold at the last visit.",
			func(c answer.Channel) float64 { return latest(c, float64(c.Latest.MarginDB)) }),
		channelGauge("holdfast_last_visit_timestamp_seconds", "Time of the last visit that was made.",
			func(c answer.Channel) float64 { return latest(c, float64(c.Latest.Time)/1000) }),
		channelGauge("holdfast_measured_seconds", "Time measured in the span of the answer.",
			func(c answer.Channel) float64 { return float64(c.Availability.MeasuredS) }),
		channelGauge("holdfast_dropouts", "Dropouts in the span of the answer.",
			func(c answer.Channel) float64 { return float64(len(c.Dropouts)) }),
		channelGauge("holdfast_evenings_spoiled", "Evenings spoiled in the span of the answer.",
			func(c answer.Channel) float64 { return c.EveningsSpoiled.Value }),
		channelGauge("holdfast_evenings_measured", "Evenings measured in the span of the answer.",
			func(c answer.Channel) float64 { return float64(c.EveningsSpoiled.EveningsMeasured) }),
	}
	g = append(g, estimate("holdfast_threshold", "decibels", "C/N at which the picture breaks", func(c answer.Channel) answer.Est { return c.Threshold.Est })...)
	g = append(g, estimate("holdfast_settled_margin", "decibels", "Margin expected now in dry, calm air", func(c answer.Channel) answer.Est { return c.SettledMargin })...)
	g = append(g, estimate("holdfast_required_margin", "decibels", "Margin that this place requires for the wanted availability", func(c answer.Channel) answer.Est { return c.RequiredMargin })...)
	g = append(g, estimate("holdfast_spare", "decibels", "Settled margin minus required margin", func(c answer.Channel) answer.Est { return c.Spare })...)
	g = append(g, estimate("holdfast_availability", "ratio", "Share of time without a broken second, off-air time left out", func(c answer.Channel) answer.Est { return c.Availability.Est })...)
	return g
}()

var (
	descUp       = prometheus.NewDesc("holdfast_answer_up", "Whether the answer behind these figures could be made: 1 or 0.", nil, nil)
	descBuild    = prometheus.NewDesc("holdfast_build_info", "Version that is running; always 1.", []string{"version"}, nil)
	descAsOf     = prometheus.NewDesc("holdfast_answer_timestamp_seconds", "Time that the answer is as of.", nil, nil)
	descMeasured = prometheus.NewDesc("holdfast_measured_ratio", "Share of the span of the answer that was measured.", nil, nil)
	descAlarms   = prometheus.NewDesc("holdfast_alarms_standing", "Alarms raised and not cleared.", []string{"severity", "condition"}, nil)
	descHealth   = prometheus.NewDesc("holdfast_healthy", "Whether a tuner, weather source, disk, store, follower or clock is well: 1 or 0.", []string{"kind", "subject"}, nil)
)

// Describe lists every metric that Collect may send.
func (c *answerCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descUp, descBuild, descAsOf, descMeasured, descAlarms, descHealth} {
		ch <- d
	}
	for _, g := range channelGauges {
		ch <- g.desc
	}
}

// Collect asks the backend and sends what it knows; an undecided figure is absent.
func (c *answerCollector) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), scrapeTime)
	defer cancel()
	ch <- prometheus.MustNewConstMetric(descBuild, prometheus.GaugeValue, 1, c.s.options.Version)
	up := 0.0
	if err := c.collect(ctx, ch); err != nil {
		c.s.log.Warn("metrics are incomplete", "error", err)
	} else {
		up = 1
	}
	ch <- prometheus.MustNewConstMetric(descUp, prometheus.GaugeValue, up)
}

func (c *answerCollector) collect(ctx context.Context, ch chan<- prometheus.Metric) error {
	set := func(d *prometheus.Desc, v float64, labels ...string) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
		}
	}
	hs, err := c.s.backend.Health(ctx)
	if err != nil {
		return fmt.Errorf("read health: %w", err)
	}
	type subject struct{ kind, name string }
	well := map[subject]bool{}
	for _, h := range hs {
		k := subject{string(h.Kind), h.Subject}
		was, seen := well[k]
		well[k] = h.OK && (!seen || was)
	}
	for k, ok := range well {
		set(descHealth, truth(ok), k.kind, k.name)
	}
	a, err := c.s.backend.Answer(ctx, 0, 0, 0)
	if err != nil {
		return fmt.Errorf("answer: %w", err)
	}
	if a.AsOf != 0 {
		set(descAsOf, float64(a.AsOf)/1000)
	}
	set(descMeasured, float64(a.Measured.Share))
	seen := map[[6]string]bool{}
	for _, x := range a.Channels {
		l := [6]string{strconv.FormatInt(x.FrequencyHz, 10), x.Layer, strconv.Itoa(x.RF), x.Name, x.Tuner, x.Installation}
		if seen[l] {
			continue // an element twice would void the whole scrape
		}
		seen[l] = true
		for _, g := range channelGauges {
			set(g.desc, g.value(x), l[:]...)
		}
	}
	as, err := c.s.backend.Alarms(ctx, int64(a.AsOf), int64(a.AsOf)+1)
	if err != nil {
		return fmt.Errorf("read alarms: %w", err)
	}
	type kind struct{ severity, condition string }
	n := map[kind]float64{}
	for _, x := range as {
		if x.Cleared == 0 {
			n[kind{string(x.Severity), string(x.Condition)}]++
		}
	}
	for k, v := range n {
		set(descAlarms, v, k.severity, k.condition)
	}
	return nil
}
