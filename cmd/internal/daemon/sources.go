package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"holdfast/analysis/worldtest/firstworld"
	"holdfast/collector"
	"holdfast/collector/source/dvb"
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
}

// The kinds of source, by the config's word. Drivers are named here and nowhere else.
var sourceKinds = map[string]func(ctx context.Context, t configs.Tuner, p sourceParts) (collector.Source, error){
	"dvb":    openDVB,
	"replay": openReplay,
	"simulated": func(_ context.Context, t configs.Tuner, p sourceParts) (collector.Source, error) {
		return simulated.New(p.world(t.Seed), t.Name, simulated.Options{Now: p.now, Hurry: p.hurry})
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
	return dvb.New(dvb.Options{Adapter: t.Adapter, Frontend: t.Frontend, Now: p.now, Log: p.log.With("tuner", t.Name)})
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
