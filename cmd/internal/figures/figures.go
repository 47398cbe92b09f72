// Package figures measures what a home feels of holdfast's speed and appetite: import,
// answer, alarms over a history, the daemon's memory and share of a processor, the
// demo's start. One command gives these figures, in about eight minutes:
//
//	go test -run '^$' -bench . -skip Year -timeout 30m ./cmd/internal/figures
//
// Another measures the store on a year of 40 channels at a visit a minute, beside plain
// rows in SQLite and DuckDB, and prints a table; it needs 10 GB of disk. -year.channels
// and -year.days make the year smaller, -year.dir keeps its files, so that parts may
// run one by one ("Year/^merge$"), and with HOLDFAST_FIGURES_PROFILE=FILE each task
// leaves a profile in FILE-TASK:
//
//	go test -run '^$' -bench Year -timeout 60m ./cmd/internal/figures
//
// It builds the program and watches it from outside, as child processes: peak-MiB is
// the most memory that was resident in the process, by the kernel's account (VmHWM in
// proc(5)); cpu-s is user and system time together, which other work on the machine
// disturbs less than the time that passes. The data are those of the demo: eighteen
// months of twelve channels, each visited every fifteen minutes by one of four tuners.
// Linux only.
package figures
