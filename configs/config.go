// Package configs reads the YAML config. A Config holds plain values; what they
// mean to a tuner or a page is wired up elsewhere.
//
// Every fault of a file is reported at once, each as
//
//	file:line:column: path.to.key: what is wrong; what to write instead
//
// A key or a value that would do nothing is a fault. Secrets may be written as
// ${env:NAME}, in whole or in part, or be kept in a file that a key ending in _file
// names; they are never printed.
package configs

import (
	"net"
	"time"
)

// Tags of a field: one lists the words it may have, only the kinds that read it, need
// those that cannot do without it (* for all), in its range. The schema for editors is
// made of them; tests hold them and the checks of validate.go together.

// A Config is what a home's file says, with defaults filled in. Floats that were not
// given are NaN. Paths are relative to the file's folder no more.
type Config struct {
	Version      int           `yaml:"version" need:"*"`
	Home         Home          `yaml:"home" need:"*"`
	Transmitters []Transmitter `yaml:"transmitters"`
	Channels     []Channel     `yaml:"channels"`
	Tuners       []Tuner       `yaml:"tuners"`
	Recordings   []Recordings  `yaml:"recordings"`
	Weather      []Weather     `yaml:"weather"`
	Wanted       Wanted        `yaml:"wanted"`
	Store        Store         `yaml:"store"`
	Web          Web           `yaml:"web"`
	Alarms       Alarms        `yaml:"alarms"`
	Tell         []Tell        `yaml:"tell"`

	Warnings []string `yaml:"-"` // one line each: the file works, and yet
}

// A Home is the receiving place.
type Home struct {
	Name      string   `yaml:"name" need:"*"`
	Region    string   `yaml:"region" one:"us europe japan brazil"` // "" if unknown
	TimeZone  string   `yaml:"time_zone" need:"*"`                  // IANA name
	Latitude  float64  `yaml:"latitude" in:"-90 90"`                // degrees north
	Longitude float64  `yaml:"longitude" in:"-180 180"`             // degrees east
	GroundM   float64  `yaml:"ground_m" in:"-450 6000"`             // metres above the sea
	Growth    []Sector `yaml:"growth"`
}

// A Sector says what grows from one azimuth clockwise to another, degrees from north.
type Sector struct {
	FromDeg float64 `yaml:"from_deg" need:"*" in:"0 360"`
	ToDeg   float64 `yaml:"to_deg" need:"*" in:"0 360"`
	Growth  string  `yaml:"growth" need:"*" one:"deciduous evergreen mixed none unknown"`
}

// A Transmitter is where channels come from.
type Transmitter struct {
	Name         string  `yaml:"name" need:"*"`
	AzimuthDeg   float64 `yaml:"azimuth_deg" in:"0 360"`
	DistanceKM   float64 `yaml:"distance_km" in:"0.1 1000"`
	Latitude     float64 `yaml:"latitude" in:"-90 90"`
	Longitude    float64 `yaml:"longitude" in:"-180 180"`
	HeightM      float64 `yaml:"height_m" in:"0 1000"`
	Polarisation string  `yaml:"polarisation" one:"horizontal vertical mixed"`
	Note         string  `yaml:"note"`
}

// A Channel is one RF channel, given by its number in the region's raster or by its
// frequency. FrequencyHz and BandwidthHz are filled in either way, RF where there is
// one.
type Channel struct {
	RF           int     `yaml:"rf"`
	FrequencyMHz float64 `yaml:"frequency_mhz" in:"40 900"`
	BandwidthMHz float64 `yaml:"bandwidth_mhz" in:"1.5 10"`
	System       string  `yaml:"system" one:"atsc1 atsc3 dvbt dvbt2 isdbt dtmb"` // the region's by default
	Layer        string  `yaml:"layer"`
	Name         string  `yaml:"name"`
	Screen       string  `yaml:"screen"`
	Wanted       bool    `yaml:"wanted"` // true by default
	Transmitter  string  `yaml:"transmitter"`
	Identity     string  `yaml:"identity"`
	ThresholdDB  float64 `yaml:"threshold_db" in:"0 40"`

	FrequencyHz int64 `yaml:"-"`
	BandwidthHz int64 `yaml:"-"`
}

// A Tuner is one tuner and how it is visited.
type Tuner struct {
	Name     string        `yaml:"name" need:"*"`
	Kind     string        `yaml:"kind" need:"*" one:"dvb httpjson command simulated replay"`
	Channels RFs           `yaml:"channels"` // all by default
	Every    time.Duration `yaml:"every"`    // base interval of each channel; 5 min by default
	Dwell    time.Duration `yaml:"dwell"`    // 5 s by default
	KeepOut  []Hours       `yaml:"keep_out"` // local time
	Lent     bool          `yaml:"lent"`     // belongs to the household's viewing

	Adapter  int     `yaml:"adapter" only:"dvb" in:"0 255"` // -1: Path or Model says which
	Path     string  `yaml:"path" only:"dvb"`               // under /sys/devices
	Model    string  `yaml:"model" only:"dvb"`              // what the frontend calls itself
	Frontend int     `yaml:"frontend" only:"dvb" in:"0 255"`
	Riding   string  `yaml:"riding" one:"never allowed only" only:"dvb"` // never by default
	Seed     int     `yaml:"seed" only:"simulated"`                      // of the simulated world; 1 by default
	File     string  `yaml:"file" only:"replay" need:"replay"`
	Speed    float64 `yaml:"speed" only:"replay" in:"0.01 1e6"` // 1 by default: as fast as it was recorded

	TuneURL    Secret        `yaml:"tune_url" only:"httpjson"`
	TuneMethod string        `yaml:"tune_method" one:"get post put" only:"httpjson"` // get by default
	ReadURL    Secret        `yaml:"read_url" only:"httpjson" need:"httpjson"`
	ReleaseURL Secret        `yaml:"release_url" only:"httpjson"`
	Mapping    Expression    `yaml:"mapping" only:"httpjson" need:"httpjson"`
	Device     Expression    `yaml:"device" only:"httpjson"`
	DeviceID   string        `yaml:"device_id" only:"httpjson"`
	User       string        `yaml:"user" only:"httpjson"`
	Password   Secret        `yaml:"password" only:"httpjson"`
	Headers    []Named       `yaml:"headers" only:"httpjson"`
	Timeout    time.Duration `yaml:"timeout" only:"httpjson"` // of one request; 3 s by default

	Command []string `yaml:"command" only:"command" need:"command"`
	Env     []Named  `yaml:"env" only:"command"`

	Quantity  string  `yaml:"quantity" one:"cn mer" only:"httpjson command"`
	LevelKind string  `yaml:"level_kind" one:"unknown in-channel whole-band from-cn" only:"httpjson command"`
	StepDB    float64 `yaml:"step_db" only:"httpjson command" in:"0 10"`
	CeilingDB float64 `yaml:"ceiling_db" only:"httpjson command" in:"20 60"`
}

// Recordings are a calendar of what is to be recorded, iCalendar: during its events
// tuners are left alone. URL may hold a key.
type Recordings struct {
	Name   string        `yaml:"name"` // "recordings" by default
	File   string        `yaml:"file"`
	URL    Secret        `yaml:"url"`
	Tuners []string      `yaml:"tuners"` // names; all by default
	Before time.Duration `yaml:"before"` // 5 min by default
	After  time.Duration `yaml:"after"`  // 5 min by default
	Every  time.Duration `yaml:"every"`  // how often it is read again; 15 min by default
}

// A Named is a value that may be a secret, under its name.
type Named struct {
	Name  string `yaml:"name" need:"*"`
	Value Secret `yaml:"value" need:"*"`
}

// Weather is one source of weather; earlier ones are preferred. URL may hold a key:
// whoever fetches it keeps it out of messages too, those of net/http show the address.
type Weather struct {
	Name       string        `yaml:"name"` // its kind by default
	Kind       string        `yaml:"kind" need:"*" one:"csv metar usobs open-meteo json"`
	File       string        `yaml:"file" need:"csv"`
	URL        Secret        `yaml:"url" only:"metar usobs open-meteo json"`
	Station    string        `yaml:"station" only:"metar usobs"` // "": that of the last report, or of the first observation
	Mapping    Expression    `yaml:"mapping" only:"json" need:"json"`
	Every      time.Duration `yaml:"every"` // how often it is read again; 15 min by default, an hour for open-meteo
	DistanceKM float64       `yaml:"distance_km" in:"0 500"`
}

// Wanted is what the household asks of its channels.
type Wanted struct {
	Availability        Share   `yaml:"availability"`                   // by all hours; 99 % by default
	AvailabilityViewing Share   `yaml:"availability_viewing"`           // 99.9 % by default
	ViewingHours        Hours   `yaml:"viewing_hours"`                  // local, whole hours; 18:00-23:00 by default
	DropoutsPerMonth    float64 `yaml:"dropouts_per_month" in:"0 1000"` // NaN: none was agreed
}

// Store says where the data are kept.
type Store struct {
	Data string `yaml:"data"` // folder; "" leaves it to the command line
	// CommitEvery is for how long readings are gathered before they are stored together;
	// 0, the default, stores each visit at once.
	CommitEvery time.Duration `yaml:"commit_every"`
}

// Web is the address of pages and API, and who may come in by it. An address beyond
// this machine needs a password.
type Web struct {
	Listen       string   `yaml:"listen"`        // 127.0.0.1:8790 by default
	PasswordHash Secret   `yaml:"password_hash"` // as holdfast password prints it
	Tokens       []Token  `yaml:"tokens"`
	TLS          TLS      `yaml:"tls"`
	Hosts        []string `yaml:"hosts"` // names that requests may be addressed to, in lower case
}

// A Token lets a program in.
type Token struct {
	Name  string `yaml:"name" need:"*"`
	Token Secret `yaml:"token" need:"*"` // itself, or sha256: and its hash in hexadecimal
}

// TLS says how connections are encrypted; not at all if Kind is empty.
type TLS struct {
	Kind string `yaml:"kind" need:"*" one:"self-signed files"`
	Cert string `yaml:"cert" only:"files" need:"files"` // PEM file: the certificate, then those between it and the root
	Key  string `yaml:"key" only:"files" need:"files"`  // PEM file
}

// Loopback reports whether the address can be reached from this machine alone.
func (w Web) Loopback() bool {
	host, _, err := net.SplitHostPort(w.Listen)
	return err == nil && loopback(host)
}

// Alarms says how the household wants to hear of alarms.
type Alarms struct {
	// QuietHours hold messages back, local time; equal ends: none.
	QuietHours Hours `yaml:"quiet_hours"`
}

// Tell is one way of telling somebody about alarms; the log by default. URL may hold a
// key.
type Tell struct {
	Name   string `yaml:"name"` // its kind by default
	Kind   string `yaml:"kind" need:"*" one:"log webhook"`
	URL    Secret `yaml:"url" only:"webhook" need:"webhook"`
	Secret Secret `yaml:"secret" only:"webhook" need:"webhook"` // messages are signed with it
}

// later are top-level keys of the design that no part of this version would read.
var later = map[string]string{
	"follow": "copying to a second store comes with a later version; remove it",
}
