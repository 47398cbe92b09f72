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
func (s *Source) acquire() (int, *frontend, error) {
	nodes := s.kernel.nodes()
	node, f, err := s.locate(nodes)
	if err != nil {
		return -1, nil, err
	}
	fd, err := open(s.kernel, node, unix.O_RDWR)
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

// locate returns the tuner's node as of now, and what the last visit learnt of it.
//
// A tuner is known by the name that it gives itself and by its place under
// /sys/devices; adapter numbers are given out anew at every plug. Two sticks of one
// make have one name: the place decides, and a tuner that was moved to another socket
// is not taken for the old one. Only one that the config knows by its name alone may
// turn up anywhere, as long as no other has that name.
func (s *Source) locate(nodes []string) (string, *frontend, error) {
	s.mu.Lock()
	f := s.known
	s.mu.Unlock()
	place, node := s.o.Path, s.numbered()
	if f != nil {
		node = f.node
		if place == "" {
			place = f.path
		}
	}
	if place != "" && (node == "" || s.kernel.device(node) != place) {
		if i := slices.IndexFunc(nodes, func(n string) bool { return s.kernel.device(n) == place && s.sameFrontend(n) }); i >= 0 {
			return nodes[i], f, nil
		}
		if s.o.Path != "" || s.numbered() != "" {
			return "", f, fmt.Errorf("nothing at %s%s: %w", place, s.hint(nodes), collector.ErrGone)
		}
		node = ""
	}
	if node != "" {
		return node, f, nil
	}
	node, err := s.byName(nodes)
	return node, f, err
}

// byName looks for the one frontend that calls itself as the config says.
func (s *Source) byName(nodes []string) (string, error) {
	var found []string
	for _, n := range nodes {
		if !s.sameFrontend(n) {
			continue
		}
		if name, err := nameOf(s.kernel, n); err == nil && name == s.o.Name {
			found = append(found, n)
		}
	}
	switch len(found) {
	case 0:
		return "", fmt.Errorf("no tuner calls itself %q%s: %w", s.o.Name, s.hint(nodes), collector.ErrGone)
	case 1:
		return found[0], nil
	}
	return "", fmt.Errorf("%d tuners call themselves %q%s; write path: and the place of the one that is meant: %w",
		len(found), s.o.Name, s.hint(found), collector.ErrGone)
}

// nameOf asks a frontend what it calls itself, by a file open for reading, which takes
// it from nobody.
func nameOf(k kernel, node string) (string, error) {
	fd, err := open(k, node, unix.O_RDONLY|unix.O_NONBLOCK)
	if err != nil {
		return "", err
	}
	var f Found
	err = f.ask(k, fd)
	return f.Name, errors.Join(err, k.close(fd))
}

// sameFrontend: a device may have several frontends; the one with our number is meant.
func (s *Source) sameFrontend(node string) bool {
	_, f := numbers(node)
	return f == s.o.Frontend
}

// numbered is the node with the adapter number of the options; "" if they give none.
func (s *Source) numbered() string {
	if s.o.Adapter < 0 {
		return ""
	}
	return fmt.Sprintf("/dev/dvb/adapter%d/frontend%d", s.o.Adapter, s.o.Frontend)
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
	if err := control(s.kernel, fd, feGetInfo, unsafe.Pointer(&info)); err != nil {
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
		g.hadDB, g.scale, g.level = f.hadDB, f.scale, f.level
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
