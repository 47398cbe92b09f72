package dvb

import (
	"time"

	"holdfast/analysis/reception"
)

// ReportOptions say how tuners are looked at for a report.
type ReportOptions struct {
	// Channels are tuned to in turn, those that a tuner receives; none: nothing is tuned.
	Channels []reception.Channel
	LockWait time.Duration // 5 s if zero
	Dwell    time.Duration // looking time of a channel; 3 s if zero
	Patience time.Duration // how long a tuner in use is waited for; 20 s if zero
}

func (o ReportOptions) withDefaults() ReportOptions {
	set := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	set(&o.LockWait, 5*time.Second)
	set(&o.Dwell, 3*time.Second)
	set(&o.Patience, 20*time.Second)
	return o
}
