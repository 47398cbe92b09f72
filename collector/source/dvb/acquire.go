//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
	"holdfast/collector"
)

// acquire opens the tuner for writing, wherever it is now.
//
// A tuner is known by the name that it gives itself and by its place under
// /sys/devices; adapter numbers are given out anew at every plug. Two sticks of one
// make have one name: the place decides, and a tuner that was moved to another socket
// is not taken for the old one.
func (s *Source) acquire() (int, *frontend, error) {
	s.mu.Lock()
	f := s.known
	s.mu.Unlock()
	place := s.o.Path
	node := s.node()
	if f != nil {
		node = f.node
		if place == "" {
			place = f.path
		}
	}
	nodes := s.kernel.nodes()
	if place != "" && s.kernel.device(node) != place {
		i := slices.IndexFunc(nodes, func(n string) bool { return s.kernel.device(n) == place && s.sameFrontend(n, node) })
		if i < 0 {
			return -1, nil, fmt.Errorf("nothing at %s%s: %w", place, s.hint(nodes), collector.ErrGone)
		}
		node = nodes[i]
	}
	fd, err := s.kernel.open(node, unix.O_RDWR)
	switch {
	case err == nil:
	case errors.Is(err, unix.EBUSY):
		return -1, nil, fmt.Errorf("open %s: %w", node, collector.ErrBusy)
	case isGone(err):
		return -1, nil, fmt.Errorf("open %s: %w%s: %w", node, err, s.hint(nodes), collector.ErrGone)
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return -1, nil, fmt.Errorf("open %s: %w; add the user that holdfast runs as to the group that owns the device, usually video", node, err)
	default:
		return -1, nil, fmt.Errorf("open %s: %w", node, err)
	}
	got, err := s.identify(fd, node, f)
	if err != nil {
		return -1, nil, errors.Join(err, s.kernel.close(fd))
	}
	return fd, got, nil
}

// sameFrontend: a device may have several frontends; the one with our number is meant.
func (s *Source) sameFrontend(node, ours string) bool {
	_, a := numbers(node)
	_, b := numbers(ours)
	return a == b
}

// hint names what is there instead.
func (s *Source) hint(nodes []string) string {
	if len(nodes) == 0 {
		return ", nor any other /dev/dvb/adapter*/frontend* (is the tuner plugged in and its driver loaded?)"
	}
	var w []string
	for _, n := range nodes {
		if p := s.kernel.device(n); p != "" {
			n += " at " + p
		}
		w = append(w, n)
	}
	return ", only " + strings.Join(w, ", ")
}

// identify asks an open frontend who it is, unless it is the one of the last visit.
func (s *Source) identify(fd int, node string, f *frontend) (*frontend, error) {
	var info frontendInfo
	if err := s.kernel.ioctl(fd, feGetInfo, unsafe.Pointer(&info)); err != nil {
		return nil, s.fault(&frontend{node: node}, "ask its name", err)
	}
	name := strings.TrimSpace(unix.ByteSliceToString(info.Name[:]))
	want := s.o.Name
	if f != nil {
		want = f.name
	}
	if want != "" && name != want {
		return nil, fmt.Errorf("%s is %q, want %q: %w", node, name, want, collector.ErrGone)
	}
	if f != nil && f.node == node {
		return f, nil
	}
	g := &frontend{node: node, name: name, path: s.kernel.device(node)}
	if f != nil {
		g.hadDB, g.scale = f.hadDB, f.scale
	}
	g.driver, g.known = driverOf(name)
	ps := ask(dtvEnumSystems)
	if err := exchange(s.kernel, fd, feGetProperty, ps); err == nil {
		g.systems = slices.Clone(ps[0].buffer())
	}
	s.mu.Lock()
	s.known = g
	s.tuner = reception.Tuner{Kind: "dvb", Driver: g.driver.short, Version: s.kernel.release(), Serial: s.kernel.serial(g.path)}
	s.mu.Unlock()
	return g, nil
}
