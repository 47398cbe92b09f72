package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"time"

	"holdfast/analysis/reception"
	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector"
	"holdfast/collector/source/command"
	"holdfast/collector/source/dvb"
	"holdfast/collector/source/fields"
	"holdfast/collector/source/httpjson"
	"holdfast/collector/source/replay"
	"holdfast/collector/source/simulated"
	"holdfast/configs"
)

// What a constructor of a source may use beside its config.
type sourceParts struct {
	setup setup
	now   func() time.Time
	log   *slog.Logger
	world func(seed int) *firstworld.World
	hurry float64 // of simulated tuners
	away  func(tuner string, at time.Time) bool
}

// The kinds of source, by the config's word. Drivers are named here and nowhere else.
var sourceKinds = map[string]func(ctx context.Context, t configs.Tuner, p sourceParts) (collector.Source, error){
	"command":  openCommand,
	"dvb":      openDVB,
	"httpjson": openHTTPJSON,
	"replay":   openReplay,
	"simulated": func(_ context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
		o := simulated.Options{Now: p.now, Hurry: p.hurry}
		if p.away != nil {
			o.Away = func(at time.Time) bool { return p.away(t.Name, at) }
		}
		return simulated.New(p.world(t.Seed), t.Name, o)
	},
}

func openSource(ctx context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
	open, ok := sourceKinds[t.Kind]
	if !ok {
		return nil, fmt.Errorf("tuner %q: no source of kind %q", t.Name, t.Kind)
	}
	s, err := open(ctx, t, p)
	if err != nil {
		return nil, fmt.Errorf("tuner %q: %w", t.Name, err)
	}
	return s, nil
}

func openDVB(_ context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
	return dvb.New(dvb.Options{Adapter: t.Adapter, Frontend: t.Frontend, Path: t.Path, Name: t.Model, Now: p.now, Log: p.log.With("tuner", t.Name)})
}

// ridingOf is the config's word as the collector knows it.
func ridingOf(t configs.Tuner) collector.Riding {
	switch t.Riding {
	case "allowed":
		return collector.RideAllowed
	case "only":
		return collector.RideOnly
	}
	return collector.RideNever
}

func openReplay(_ context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
	s, err := replay.Open(t.File, replay.Options{Tuner: t.Name, Region: p.setup.home.Region, Speed: t.Speed, Now: p.now})
	if err != nil {
		return nil, err
	}
	for _, note := range s.Notes() {
		p.log.Warn("tuner " + t.Name + ": " + note)
	}
	return s, nil
}

func openHTTPJSON(_ context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
	o := httpjson.Options{
		Tune: t.TuneURL.Reveal(), Read: t.ReadURL.Reveal(), Release: t.ReleaseURL.Reveal(), Method: strings.ToUpper(t.TuneMethod),
		Mapping: string(t.Mapping), Device: string(t.Device), DeviceID: t.DeviceID,
		User: t.User, Password: t.Password.Reveal(), Timeout: t.Timeout,
		Meaning: meaningOf(t), Now: p.now, Log: p.log.With("tuner", t.Name),
	}
	for _, h := range t.Headers {
		o.Headers = append(o.Headers, httpjson.Header{Name: h.Name, Value: h.Value.Reveal()})
	}
	return httpjson.New(o)
}

func openCommand(_ context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
	o := command.Options{Argv: t.Command, Meaning: meaningOf(t), Now: p.now, Log: p.log.With("tuner", t.Name)}
	for _, e := range t.Env {
		o.Env = append(o.Env, command.Variable{Name: e.Name, Value: e.Value.Reveal()})
	}
	return command.New(o)
}

func meaningOf(t configs.Tuner) fields.Meaning {
	return fields.Meaning{Quantity: reception.Quantity(t.Quantity), LevelKind: reception.LevelKind(t.LevelKind), StepDB: t.StepDB, CeilingDB: t.CeilingDB}
}
