// Package figures measures what a home feels of holdfast's speed and appetite: import,
// answer, alarms over a history, the daemon's memory and share of a processor, the
// demo's start. One command gives all figures, in about eight minutes:
//
//	go test -run '^$' -bench . -timeout 30m ./cmd/internal/figures
//
// It builds the program and watches it from outside, as child processes: peak-MiB is
// the most memory that was resident in the process, by the kernel's account (VmHWM in
// proc(5)); cpu-s is user and system time together, which other work on the machine
// disturbs less than the time that passes. The data are those of the demo: eighteen
// months of twelve channels, each visited every fifteen minutes by one of four tuners.
// Linux only.
package figures
