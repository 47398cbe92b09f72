package reception

// An Entry is one dated fact of the ledger. The package that owns a kind owns its
// body's form and version. An edit is a new entry with the same Kind, Key and Held
// and a later Known: the latest known holds, the others are history.
type Entry struct {
	Kind  string
	Key   string
	Held  int64 // Unix ms: when it held
	Known int64 // Unix ms: when it was known
	Body  []byte
}

// Kinds of entry that more than one package reads.
const (
	KindHome         = "home"         // body: JSON of Home; key "home"
	KindInstallation = "installation" // body: JSON of InstallationEntry; key: tuner, "" for all
	KindScale        = "scale"        // body: JSON of Scale; key: scale id
	KindTuner        = "tuner"        // body: JSON of Tuner; key: tuner name
	KindNote         = "note"
	KindDropout      = "dropout"
	KindAlarm        = "alarm"
	KindOutbox       = "outbox"
	KindCheckpoint   = "checkpoint"
	KindGap          = "gap" // holdfast itself was not running
)

// An InstallationEntry opens an installation at the entry's Held time.
type InstallationEntry struct {
	Name string `json:"name"`
	Note string `json:"note,omitempty"`
}

// A Health is one fact that the daemon gathers about itself and its inputs.
type Health struct {
	Kind    HealthKind
	Subject string // tuner, weather source, path, ...
	Since   int64  // Unix ms
	OK      bool
	Detail  string // one line for people
}

// HealthKind is what a Health speaks of.
type HealthKind string

// Kinds of health.
const (
	HealthTuner    HealthKind = "tuner"
	HealthWeather  HealthKind = "weather"
	HealthDisk     HealthKind = "disk"
	HealthStore    HealthKind = "store"
	HealthFollower HealthKind = "follower"
	HealthClock    HealthKind = "clock"
)
