package daemon

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/configs"
	"holdfast/configs/zones"
)

// A setup is the config in the words of the domain.
type setup struct {
	home         reception.Home
	zone         *time.Location
	channels     []reception.Channel
	transmitters []reception.Transmitter
	tuners       []reception.Tuner
	wanted       reception.Wanted
	weather      []string // sources, the preferred first
}

func setupFrom(c configs.Config) (setup, error) {
	zone, err := zones.Load(c.Home.TimeZone)
	if err != nil {
		return setup{}, fmt.Errorf("home.time_zone: %w", err)
	}
	s := setup{zone: zone, home: reception.Home{
		Name: c.Home.Name, Region: reception.Region(c.Home.Region), TimeZone: c.Home.TimeZone,
		Latitude: c.Home.Latitude, Longitude: c.Home.Longitude, GroundM: c.Home.GroundM,
	}}
	for _, g := range c.Home.Growth {
		s.home.Growth = append(s.home.Growth, reception.Sector{FromDeg: g.FromDeg, ToDeg: g.ToDeg, Growth: reception.Growth(g.Growth)})
	}
	for _, t := range c.Transmitters {
		s.transmitters = append(s.transmitters, reception.Transmitter{
			Name: t.Name, AzimuthDeg: t.AzimuthDeg, DistanceKM: t.DistanceKM, Latitude: t.Latitude, Longitude: t.Longitude,
			HeightM: t.HeightM, Polarisation: t.Polarisation, Note: t.Note,
		})
	}
	for _, ch := range c.Channels {
		s.channels = append(s.channels, reception.Channel{
			FrequencyHz: ch.FrequencyHz, Layer: ch.Layer, RF: ch.RF, System: reception.System(ch.System), BandwidthHz: ch.BandwidthHz,
			Name: ch.Name, Screen: ch.Screen, Wanted: ch.Wanted, Transmitter: ch.Transmitter, Identity: ch.Identity, ThresholdDB: ch.ThresholdDB,
		})
	}
	for _, t := range c.Tuners {
		s.tuners = append(s.tuners, reception.Tuner{Name: t.Name, Kind: t.Kind})
	}
	for _, w := range c.Weather {
		s.weather = append(s.weather, w.Name)
	}
	s.wanted = reception.Wanted{
		Availability: float64(c.Wanted.Availability), AvailabilityViewing: float64(c.Wanted.AvailabilityViewing),
		ViewingFromHour: int(c.Wanted.ViewingHours.From / time.Hour), ViewingToHour: int(c.Wanted.ViewingHours.To / time.Hour),
		DropoutsPerMonth: c.Wanted.DropoutsPerMonth,
	}
	return s, nil
}

// channelsOf returns the channels that a tuner of the config visits.
func (s setup) channelsOf(t configs.Tuner) []reception.Channel {
	if t.Channels.All {
		return s.channels
	}
	var out []reception.Channel
	for _, rf := range t.Channels.Numbers {
		for _, ch := range s.channels {
			if ch.RF == rf {
				out = append(out, ch)
			}
		}
	}
	return out
}

// homeID reads the home's random id from the ledger, or gives it one.
func homeID(ctx context.Context, l store.Ledger, now time.Time) (string, error) {
	type body struct {
		ID string `json:"id"`
	}
	for e, err := range l.Entries(ctx, reception.KindHome) {
		if err != nil {
			return "", fmt.Errorf("read the home's id: %w", err)
		}
		var b body
		if err := json.Unmarshal(e.Body, &b); err == nil && b.ID != "" {
			return b.ID, nil
		}
	}
	raw := make([]byte, 16)
	_, _ = rand.Read(raw) // never fails
	id := hex.EncodeToString(raw)
	b, err := json.Marshal(body{id})
	if err != nil {
		return "", err
	}
	if err := l.Put(ctx, reception.Entry{Kind: reception.KindHome, Key: "home", Held: 0, Known: now.UnixMilli(), Body: b}); err != nil {
		return "", fmt.Errorf("keep the home's id: %w", err)
	}
	return id, nil
}

// DataDir returns the data folder: the flag's, the config's, $STATE_DIRECTORY, then
// $XDG_DATA_HOME/holdfast.
func DataDir(flag string, c configs.Config) (string, error) {
	for _, d := range []string{flag, c.Store.Data, os.Getenv("STATE_DIRECTORY")} {
		if d != "" {
			return filepath.Abs(d)
		}
	}
	if d := os.Getenv("XDG_DATA_HOME"); d != "" {
		return filepath.Join(d, "holdfast"), nil
	}
	h, err := os.UserHomeDir()
	if err != nil {
		return "", errors.New("no data folder: name one with --data or store.data")
	}
	return filepath.Join(h, ".local", "share", "holdfast"), nil
}

// FindConfig returns the config file: the flag's, or the first of the usual places
// that there is. ok is false if there is none.
func FindConfig(flag string) (path string, ok bool) {
	if flag != "" {
		return flag, true
	}
	places := []string{"holdfast.yaml"}
	if d, err := os.UserConfigDir(); err == nil {
		places = append(places, filepath.Join(d, "holdfast", "holdfast.yaml"))
	}
	for _, p := range append(places, "/etc/holdfast/holdfast.yaml") {
		if _, err := os.Stat(p); err == nil {
			return p, true
		}
	}
	return "", false
}
