// Package dvb visits channels with the tuners of the Linux DVB API, version 5, by
// ioctl and without cgo.
//
// A visit opens the frontend for writing, tunes, waits for lock, reads it once a
// second through the dwell and closes it again, so that other programs find the tuner
// free between visits. While another program has it, a visit returns
// collector.ErrBusy; on Linux the holder is never told that somebody else waits.
//
// Numbers and layouts are those of the kernel's include/uapi/linux/dvb/frontend.h.
// What drivers do beyond them is in the table of this package: units of the calls that
// are older than version 5, ceilings, widths of counters. A driver that is not in the
// table has its old calls stored as per cent and never as dB.
//
// A call that does not return leaves its goroutine and its file behind until it does;
// meanwhile the device is not opened again and visits return collector.ErrHung.
//
// Beside, sections are gathered from the demultiplexer through the dwell, and a reading
// has the identity of what was received.
package dvb

import (
	"log/slog"
	"time"
)

// Options say which frontend is meant.
type Options struct {
	// Adapter and Frontend name /dev/dvb/adapterN/frontendM, where the tuner is looked
	// for first. Adapter -1 stands for any: then Path or Name says which is meant.
	Adapter, Frontend int
	// Name, if set, is what the frontend must call itself. With neither Adapter nor Path
	// it is the only one of that name, wherever it is plugged in.
	Name string
	// Path, if set, is the device's place under /sys/devices: a tuner that was plugged
	// in again is found by it, whatever adapter number it got. Else the place where it
	// was first found counts.
	Path string
	// Now stamps readings; time.Now if nil.
	Now func() time.Time
	// Log hears when a driver's values begin and cease to be unbelievable; nil: nobody.
	Log *slog.Logger
}
