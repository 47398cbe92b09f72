package answer

import (
	"time"

	"holdfast/analysis/reception"
)

// Setup is what a fold knows from the start.
type Setup struct {
	Home         reception.Home
	Zone         *time.Location // the home's; never nil
	Channels     []reception.Channel
	Transmitters []reception.Transmitter
	Tuners       []reception.Tuner
	Wanted       reception.Wanted
}
