//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"encoding/binary"
	"runtime"
	"unsafe"
)

// Requests of linux/dvb/frontend.h that do not depend on the width of a pointer.
const (
	feGetInfo    = 0x80a86f3d
	feReadStatus = 0x80046f45
	feReadSignal = 0x80026f47
	feReadSNR    = 0x80026f48
	feReadUCB    = 0x80046f49
)

// Commands of FE_SET_PROPERTY and FE_GET_PROPERTY, same header.
const (
	dtvTune         = 1
	dtvClear        = 2
	dtvFrequency    = 3
	dtvModulation   = 4
	dtvBandwidthHz  = 5
	dtvInversion    = 6
	dtvInnerFEC     = 9
	dtvSystem       = 17
	dtvLayerAFEC    = 23 // ISDB-T: FEC and modulation of layers A, B, C lie 4 apart
	dtvLayerAMod    = 24
	dtvCodeRateHP   = 36
	dtvStreamID     = 42
	dtvEnumSystems  = 44
	dtvStatStrength = 62
	dtvStatCNR      = 63
	dtvStatPreErr   = 64
	dtvStatPreTotal = 65
	dtvStatPostErr  = 66
	dtvStatPostTot  = 67
	dtvStatBlockErr = 68
	dtvStatBlockTot = 69
)

// Status bits, scales of a statistic, and values of properties, same header.
const (
	hasViterbi = 0x04
	hasLock    = 0x10

	scaleNone     = 0
	scaleDecibel  = 1
	scaleRelative = 2
	scaleCounter  = 3

	inversionAuto = 2
	modVSB8       = 7
	modAuto       = 6
	fecAuto       = 9
)

// property is struct dtv_property, which is packed.
type property struct {
	Cmd      uint32
	Reserved [3]uint32
	U        [unionSize]byte
	Result   int32
}

// properties is struct dtv_properties.
type properties struct {
	Num   uint32
	Props unsafe.Pointer
}

// frontendInfo is struct dvb_frontend_info.
type frontendInfo struct {
	Name [128]byte
	Rest [10]uint32
}

// The kernel's sizes; a wrong one does not compile.
var (
	_ [propertySize]byte   = [unsafe.Sizeof(property{})]byte{}
	_ [propertiesSize]byte = [unsafe.Sizeof(properties{})]byte{}
	_ [168]byte            = [unsafe.Sizeof(frontendInfo{})]byte{}
)

// A figure is one value of a statistic.
type figure struct {
	scale uint8
	v     int64
}

// stats decodes struct dtv_fe_stats: a count of at most four, then 9 bytes each, not
// aligned. For ISDB-T they are the whole and layers A, B, C. The kernel holds the word
// at offset 32 of the union to at most 16, for there lies the length of another member,
// and so damages a negative value of layer C: it is dropped then.
func (p *property) stats() []figure {
	n := min(int(p.U[0]), 4)
	if n == 4 && binary.NativeEndian.Uint32(p.U[32:]) == 16 {
		n = 3
	}
	out := make([]figure, n)
	for i := range out {
		out[i] = figure{p.U[1+9*i], int64(binary.NativeEndian.Uint64(p.U[2+9*i:]))}
	}
	return out
}

func (p *property) data() uint32 { return binary.NativeEndian.Uint32(p.U[:]) }

// buffer decodes the list that DTV_ENUM_DELSYS fills.
func (p *property) buffer() []byte { return p.U[:min(int(binary.NativeEndian.Uint32(p.U[32:])), 32)] }

func set(cmd, v uint32) property {
	p := property{Cmd: cmd}
	binary.NativeEndian.PutUint32(p.U[:], v)
	return p
}

func ask(cmds ...uint32) []property {
	ps := make([]property, len(cmds))
	for i, c := range cmds {
		ps[i].Cmd = c
	}
	return ps
}

// exchange hands properties to the kernel, which follows a pointer that lies inside
// the argument: they must not move meanwhile.
func exchange(k kernel, fd int, request uintptr, ps []property) error {
	var pin runtime.Pinner
	pin.Pin(&ps[0])
	defer pin.Unpin()
	h := properties{Num: uint32(len(ps)), Props: unsafe.Pointer(&ps[0])}
	return control(k, fd, request, unsafe.Pointer(&h))
}

func u32(k kernel, fd int, request uintptr) (v uint32, err error) {
	err = control(k, fd, request, unsafe.Pointer(&v))
	return v, err
}

func u16(k kernel, fd int, request uintptr) (v uint16, err error) {
	err = control(k, fd, request, unsafe.Pointer(&v))
	return v, err
}
