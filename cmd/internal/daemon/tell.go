package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"holdfast/alerting"
	"holdfast/alerting/notify/logline"
	"holdfast/alerting/notify/webhook"
	"holdfast/collector"
	"holdfast/collector/address"
	"holdfast/configs"
)

// The kinds of way to tell of alarms, by the config's word. Ways are named here and
// nowhere else.
var wayKinds = map[string]func(h *Home, t configs.Tell) (alerting.Notifier, error){
	"log": func(h *Home, t configs.Tell) (alerting.Notifier, error) {
		return logline.New(t.Name, h.log, h.setup.zone), nil
	},
	"webhook": func(h *Home, t configs.Tell) (alerting.Notifier, error) {
		return webhook.New(webhook.Options{
			Name: t.Name, URL: t.URL.Reveal(), Secret: t.Secret.Reveal(), Home: h.setup.home.Name, Zone: h.setup.zone, Agent: h.agent,
			Client: address.NewClient(nil), // never to a machine's own credentials
		})
	},
}

func (h *Home) ways(tell []configs.Tell) ([]alerting.Notifier, error) {
	var out []alerting.Notifier
	for _, t := range tell {
		make, ok := wayKinds[t.Kind]
		if !ok {
			return nil, fmt.Errorf("tell %q: no way of kind %q", t.Name, t.Kind)
		}
		n, err := make(h, t)
		if err != nil {
			return nil, fmt.Errorf("tell %q: %w", t.Name, err)
		}
		out = append(out, n)
	}
	return out, nil
}

// TryWay sends a sample by a way of telling and says what came back.
func (h *Home) TryWay(ctx context.Context, name string) (string, error) {
	ways, err := h.ways(h.tell)
	if err != nil {
		return "", err
	}
	i := slices.IndexFunc(ways, func(n alerting.Notifier) bool { return n.String() == name })
	if i < 0 {
		var names []string
		for _, n := range ways {
			names = append(names, n.String())
		}
		return "", fmt.Errorf("no way of telling is called %q; the config has %s", name, strings.Join(names, ", "))
	}
	e := alerting.SampleOf(h.now().UnixMilli())
	if t, ok := ways[i].(alerting.Trier); ok {
		return t.Try(ctx, e)
	}
	if err := ways[i].Notify(ctx, e); err != nil {
		return "", err
	}
	return fmt.Sprintf("the sample went out by %s", name), nil
}

// quiet returns the watch's question whether the household sleeps; nil without hours.
func quiet(h configs.Hours, zone *time.Location) func(time.Time) bool {
	if h.From == h.To {
		return nil
	}
	return collector.Hours{From: h.From, To: h.To, Location: zone}.Hold
}
