// Package psi reads what a transport stream says of itself: which stream it is, in what
// network, and what its services are called. It takes whole sections, as a demultiplexer
// gives them, and believes none whose CRC is wrong.
//
// The tables are the PAT of ISO/IEC 13818-1, SDT and NIT of ETSI EN 300 468 (ARIB STD-B10
// has them too) and the terrestrial VCT of ATSC A/65.
package psi

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"holdfast/analysis/reception"
)

// Where tables are found: PIDs, and the first byte of their sections.
const (
	PIDPAT = 0x0000 // ISO/IEC 13818-1, 2.4.4.3
	PIDNIT = 0x0010 // EN 300 468, 5.1.3
	PIDSDT = 0x0011
	PIDVCT = 0x1ffb // A/65: the base PID

	TablePAT = 0x00
	TableNIT = 0x40 // actual network
	TableSDT = 0x42 // actual transport stream
	TableVCT = 0xc8 // terrestrial
)

// MaxSection is the size of the longest section, bytes (ISO/IEC 13818-1, 2.4.4.11: 4093
// after the length).
const MaxSection = 4096

// maxServices and maxText bound what a stream can make us keep.
const (
	maxServices = 256
	maxText     = 64 // characters of a name
)

// A Service is a programme as people know it.
type Service struct {
	ID     uint16 // service_id, program_number
	Number string // on screen, such as "7.1"; "" if the tables do not say
	Name   string // "" if it could not be read
	Hidden bool   // not meant to be chosen
	Radio  bool   // sound alone
}

// Heard is what the sections of a stream have said. Zero values are "not read"; -1 for
// ids, since 0 is one.
type Heard struct {
	Stream   int       // transport_stream_id of the PAT
	Origin   int       // original_network_id of the SDT
	Network  string    // name, of the NIT
	Services []Service // by number, then id
	Key      int       // remote_control_key_id of ISDB-T: the number on the remote control; 0 if not read
	Note     string    // why names are empty, if their coding is not read
}

// Identity is what a transmitter's signal is called, such as "0x0421"; of DVB such as
// "0x0421/0x233a", for there a stream's id is unique only together with the original
// network's (EN 300 468, 5.2). "" if it was not read whole: a part would be another name.
func (h Heard) Identity(s reception.System) string {
	switch {
	case h.Stream < 0:
		return ""
	case s == reception.DVBT || s == reception.DVBT2:
		if h.Origin < 0 {
			return ""
		}
		return fmt.Sprintf("0x%04x/0x%04x", h.Stream, h.Origin)
	}
	return fmt.Sprintf("0x%04x", h.Stream)
}

// Title names the channel after its services, for people: the first, or the first two
// and how many more there are. number is the first one's, or the remote control's.
func (h Heard) Title() (name, number string) {
	var names []string
	for _, radio := range []bool{false, true} {
		for _, s := range h.Services {
			if s.Radio == radio && !s.Hidden && s.Name != "" && !slices.Contains(names, s.Name) {
				names = append(names, s.Name)
				if len(names) == 1 {
					number = s.Number
				}
			}
		}
	}
	if h.Key > 0 {
		number = strconv.Itoa(h.Key)
	}
	switch n := len(names); {
	case n == 0:
		return h.Network, number
	case number != "" && h.Key == 0: // each service has a number of its own, the first stands for all
		return names[0], number
	case n <= 2:
		return strings.Join(names, ", "), number
	default:
		return fmt.Sprintf("%s, %s and %d more", names[0], names[1], n-2), number
	}
}

// A Reader puts sections together. The zero value of Coding reads names as DVB codes
// them. Not for concurrent use.
type Reader struct {
	Coding Coding

	stream, origin ids
	network        string
	keys           map[int]int // remote_control_key_id by stream
	services       map[uint16]*Service
	parts          map[byte]*parts // by table
	note           string
	bad            int
}

// ids are the values that a field was seen to have: believed if it is one.
type ids struct {
	value    int
	seen, no bool
}

func (x *ids) see(v int) {
	x.no = x.no || x.seen && v != x.value
	x.value, x.seen = v, true
}

func (x ids) get() int {
	if !x.seen || x.no {
		return -1
	}
	return x.value
}

// parts are the sections that a table has.
type parts struct {
	extension uint16
	version   byte
	got       [256]bool
	left      int
}

// Heard is what the sections so far have said. Where two sections contradict each other
// about an id, it counts as not read.
func (r *Reader) Heard() Heard {
	h := Heard{Stream: r.stream.get(), Origin: r.origin.get(), Network: r.network, Note: r.note}
	h.Key = r.keys[h.Stream]
	for _, s := range r.services {
		h.Services = append(h.Services, *s)
	}
	slices.SortFunc(h.Services, func(a, b Service) int {
		if c := compareNumbers(a.Number, b.Number); c != 0 {
			return c
		}
		return int(a.ID) - int(b.ID)
	})
	return h
}

// compareNumbers orders "7.2" before "7.10".
func compareNumbers(a, b string) int {
	value := func(s string) (v [2]int) {
		fmt.Sscanf(s, "%d.%d", &v[0], &v[1]) // what does not parse stays 0
		return v
	}
	x, y := value(a), value(b)
	return slices.Compare(x[:], y[:])
}

// Whole reports whether every section of a table has come.
func (r *Reader) Whole(table byte) bool {
	p := r.parts[table]
	return p != nil && p.left == 0
}

// Any reports whether sections came, good or bad.
func (r *Reader) Any() bool { return r.bad > 0 || len(r.parts) > 0 }

// Bad is how many sections were refused.
func (r *Reader) Bad() int { return r.bad }

// Add takes a section. One that is damaged, of another kind, or not valid yet is left
// out; an error says why, for those who count.
func (r *Reader) Add(b []byte) error {
	s, err := parse(b)
	if err != nil {
		r.bad++
		return err
	}
	if !s.current {
		return nil
	}
	// a body that contradicts its own lengths is none, whatever its CRC says
	var take func(section) error
	switch s.table {
	case TablePAT:
		take = r.pat
	case TableSDT:
		take = r.sdt
	case TableNIT:
		take = r.nit
	case TableVCT:
		take = r.vct
	default:
		return nil
	}
	if err := take(s); err != nil {
		r.bad++
		return err
	}
	r.mark(s)
	return nil
}

// mark notes that a part of a table is there.
func (r *Reader) mark(s section) {
	p := r.parts[s.table]
	if p == nil || p.extension != s.extension || p.version != s.version {
		p = &parts{extension: s.extension, version: s.version, left: int(s.last) + 1}
		if r.parts == nil {
			r.parts = map[byte]*parts{}
		}
		r.parts[s.table] = p
	}
	if !p.got[s.number] && s.number <= s.last {
		p.got[s.number] = true
		p.left--
	}
}

func (r *Reader) service(id uint16) *Service {
	if r.services == nil {
		r.services = map[uint16]*Service{}
	}
	s := r.services[id]
	if s == nil {
		if len(r.services) == maxServices {
			return nil
		}
		s = &Service{ID: id}
		r.services[id] = s
	}
	return s
}

var (
	errShort  = errors.New("section is shorter than it says")
	errCRC    = errors.New("section is damaged: its CRC is wrong")
	errSyntax = errors.New("section has no extended header")
	errLength = errors.New("a length in the section does not fit")
)

// A section with the extended header that all tables here have.
type section struct {
	table        byte
	extension    uint16
	version      byte
	current      bool
	number, last byte
	body         []byte
}

// parse reads a section: ISO/IEC 13818-1, 2.4.4.11, table 2-35.
func parse(b []byte) (section, error) {
	if len(b) < 12 {
		return section{}, errShort
	}
	n := 3 + int(binary.BigEndian.Uint16(b[1:])&0x0fff)
	switch {
	case n > len(b) || n < 12 || n > MaxSection:
		return section{}, errShort
	case b[1]&0x80 == 0:
		return section{}, errSyntax
	case crc32MPEG(b[:n]) != 0:
		return section{}, errCRC
	}
	return section{
		table: b[0], extension: binary.BigEndian.Uint16(b[3:]),
		version: b[5] >> 1 & 0x1f, current: b[5]&1 != 0, number: b[6], last: b[7], body: b[8 : n-4],
	}, nil
}

// crcTable is that of the polynomial of ISO/IEC 13818-1, annex A, most significant bit
// first, which hash/crc32 does not have.
var crcTable = func() (t [256]uint32) {
	for i := range t {
		c := uint32(i) << 24
		for range 8 {
			if c&0x80000000 != 0 {
				c = c<<1 ^ 0x04c11db7
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc32MPEG is 0 over a section with its CRC.
func crc32MPEG(b []byte) uint32 {
	c := uint32(0xffffffff)
	for _, x := range b {
		c = c<<8 ^ crcTable[byte(c>>24)^x]
	}
	return c
}
