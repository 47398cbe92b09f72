package psi

import (
	"encoding/binary"
	"fmt"
	"maps"
	"strconv"
	"unicode/utf16"
)

// Descriptors read here, by tag.
const (
	tagNetworkName   = 0x40 // EN 300 468, network_name_descriptor
	tagService       = 0x48 // EN 300 468, service_descriptor
	tagTSInformation = 0xcd // ARIB STD-B10 part 2, TS information descriptor
)

// pat: ISO/IEC 13818-1, 2.4.4.3, table 2-30. The programmes have no names here.
func (r *Reader) pat(s section) error {
	if len(s.body)%4 != 0 {
		return errLength
	}
	r.stream.see(int(s.extension))
	return nil
}

// sdt: EN 300 468, 5.2.3, table 5.
func (r *Reader) sdt(s section) error {
	if len(s.body) < 3 {
		return errLength
	}
	type found struct {
		id          uint16
		kind        byte
		name        []byte
		hasName, ok bool
	}
	var all []found
	for b := s.body[3:]; len(b) > 0; {
		if len(b) < 5 {
			return errLength
		}
		f := found{id: binary.BigEndian.Uint16(b), ok: true}
		n := int(binary.BigEndian.Uint16(b[3:]) & 0x0fff)
		if len(b) < 5+n {
			return errLength
		}
		err := descriptors(b[5:5+n], func(tag byte, d []byte) error {
			if tag != tagService {
				return nil
			}
			// service_type, then provider and name, each with its length
			if len(d) < 2 || len(d) < 3+int(d[1]) {
				return errLength
			}
			rest := d[2+int(d[1]):]
			if len(rest) < 1+int(rest[0]) {
				return errLength
			}
			f.kind, f.name, f.hasName = d[0], rest[1:1+int(rest[0])], true
			return nil
		})
		if err != nil {
			return err
		}
		all = append(all, f)
		b = b[5+n:]
	}
	r.origin.see(int(binary.BigEndian.Uint16(s.body)))
	for _, f := range all {
		v := r.service(f.id)
		if v == nil || !f.hasName {
			continue
		}
		v.Name = r.text(f.name)
		v.Radio = isRadio(f.kind)
		v.Hidden = isHidden(f.kind)
	}
	return nil
}

// isRadio and isHidden read service_type, EN 300 468, service_descriptor: radio; teletext
// and data. ARIB STD-B10 part 2 has temporary services from 0xa1 and data at 0xc0 (from
// memory).
func isRadio(kind byte) bool { return kind == 0x02 || kind == 0x07 || kind == 0x0a }

func isHidden(kind byte) bool {
	return kind == 0x00 || kind == 0x03 || kind >= 0x0c && kind <= 0x10 || kind >= 0xa1 && kind <= 0xab || kind == 0xc0
}

// nit: EN 300 468, 5.2.1, table 3. A loop of streams with a wrong length, as some
// multiplexers write it (the kernel's vidtv does), leaves the network its name.
func (r *Reader) nit(s section) error {
	first, rest, err := loop(s.body)
	if err != nil {
		return err
	}
	name := ""
	err = descriptors(first, func(tag byte, d []byte) error {
		if tag == tagNetworkName {
			name = r.text(d)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if name != "" {
		r.network = name
	}
	if s.number == 0 || r.keys == nil {
		r.keys = map[int]int{}
	}
	if keys, err := remoteKeys(rest); err == nil && r.Coding != CodingDVB {
		maps.Copy(r.keys, keys)
	}
	return nil
}

// remoteKeys reads remote_control_key_id by stream from the NIT's loop of streams.
func remoteKeys(b []byte) (map[int]int, error) {
	streams, rest, err := loop(b)
	if err != nil || len(rest) != 0 {
		return nil, errLength
	}
	keys := map[int]int{}
	for len(streams) > 0 {
		if len(streams) < 6 {
			return nil, errLength
		}
		id := int(binary.BigEndian.Uint16(streams))
		var ds []byte
		if ds, streams, err = loop(streams[4:]); err != nil {
			return nil, err
		}
		err = descriptors(ds, func(tag byte, d []byte) error {
			if tag == tagTSInformation && len(d) > 0 {
				keys[id] = int(d[0])
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return keys, nil
}

// loop takes a loop that begins with its length in 12 bits.
func loop(b []byte) (inside, rest []byte, err error) {
	if len(b) < 2 {
		return nil, nil, errLength
	}
	n := 2 + int(binary.BigEndian.Uint16(b)&0x0fff)
	if n > len(b) {
		return nil, nil, errLength
	}
	return b[2:n], b[n:], nil
}

// descriptors yields tag and content of each (ISO/IEC 13818-1, 2.6.1).
func descriptors(b []byte, do func(tag byte, d []byte) error) error {
	for len(b) > 0 {
		if len(b) < 2 || len(b) < 2+int(b[1]) {
			return errLength
		}
		if err := do(b[0], b[2:2+int(b[1])]); err != nil {
			return err
		}
		b = b[2+int(b[1]):]
	}
	return nil
}

// What the VCT says of a channel, A/65, 6.3.1.
const (
	vctChannel = 32 // bytes before its descriptors
	vctAnalog  = 0x01
	vctAudio   = 0x03
)

// vct: A/65, 6.3.1, table 6.4.
func (r *Reader) vct(s section) error {
	if len(s.body) < 2 || s.body[0] != 0 { // protocol_version: 0 alone is known
		return errLength
	}
	n, b := int(s.body[1]), s.body[2:]
	var all []Service
	for range n {
		if len(b) < vctChannel {
			return errLength
		}
		more := int(binary.BigEndian.Uint16(b[30:]) & 0x03ff)
		if len(b) < vctChannel+more {
			return errLength
		}
		// reserved 4, major 10, minor 10
		num := uint32(b[14])<<16 | uint32(b[15])<<8 | uint32(b[16])
		major, minor := int(num>>10&0x3ff), int(num&0x3ff)
		v := Service{
			ID: binary.BigEndian.Uint16(b[24:]), Number: number(major, minor), Name: shortName(b[:14]),
			Hidden: b[26]&0x10 != 0, Radio: b[27]&0x3f == vctAudio,
		}
		// the table also lists channels that are not in this stream: analogue ones,
		// inactive ones with program_number 0, and those of other streams
		if b[17] != vctAnalog && v.ID != 0 && binary.BigEndian.Uint16(b[22:]) == s.extension {
			all = append(all, v)
		}
		b = b[vctChannel+more:]
	}
	if len(b) < 2 || len(b) < 2+int(binary.BigEndian.Uint16(b)&0x03ff) { // additional descriptors
		return errLength
	}
	for _, v := range all {
		if at := r.service(v.ID); at != nil {
			*at = v
		}
	}
	return nil
}

// number writes a channel number. Major numbers from 1008 on are the upper bits of a
// number without a minor one (A/65, 6.3.1, major_channel_number). 0 as major number is not
// used for television.
func number(major, minor int) string {
	if major == 0 { // not used
		return ""
	}
	if major&0x3f0 == 0x3f0 {
		return strconv.Itoa(major&0x00f<<10 + minor)
	}
	return fmt.Sprintf("%d.%d", major, minor)
}

// shortName: seven characters of UTF-16, filled up with zeros.
func shortName(b []byte) string {
	var u []uint16
	for i := 0; i+1 < len(b); i += 2 {
		c := binary.BigEndian.Uint16(b[i:])
		if c == 0 {
			break
		}
		u = append(u, c)
	}
	return clean(string(utf16.Decode(u)))
}
