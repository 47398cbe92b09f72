package psi

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"testing"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"holdfast/analysis/reception"
)

// The check value of this CRC over the digits 1 to 9, as the catalogue of parametrised
// CRC algorithms has it under CRC-32/MPEG-2.
func TestCRC(t *testing.T) {
	if got := crc32MPEG([]byte("123456789")); got != 0x0376e6e7 {
		t.Errorf("CRC %#08x, want 0x0376e6e7", got)
	}
}

// What follows writes sections bit by bit as the standards' tables have them, so that
// the reader does not check itself. A reader of another make, libdvbv5 1.22.1 of Debian
// 12, finds in those of SDT, NIT and, but for the descriptor, VCT what was written.
type bits struct {
	b []byte
	n uint
}

func (w *bits) put(width uint, v uint64) *bits {
	for i := width; i > 0; i-- {
		if w.n%8 == 0 {
			w.b = append(w.b, 0)
		}
		w.b[len(w.b)-1] |= byte(v>>(i-1)&1) << (7 - w.n%8)
		w.n++
	}
	return w
}

func (w *bits) bytes(b ...byte) *bits {
	for _, x := range b {
		w.put(8, uint64(x))
	}
	return w
}

// crcBits is annex A of ISO/IEC 13818-1: a shift register of 32 bits, one bit at a time.
func crcBits(b []byte) uint32 {
	z := [32]bool{}
	for i := range z {
		z[i] = true
	}
	for _, x := range b {
		for i := 7; i >= 0; i-- {
			in := x>>i&1 == 1 != z[31]
			copy(z[1:], z[:31])
			z[0] = in
			for _, tap := range []int{1, 2, 4, 5, 7, 8, 10, 11, 12, 16, 22, 23, 26} {
				z[tap] = z[tap] != in
			}
		}
	}
	var v uint32
	for i, on := range z {
		if on {
			v |= 1 << i
		}
	}
	return v
}

// A head is what all sections begin with: ISO/IEC 13818-1, 2.4.4.11.
type head struct {
	table              byte
	extension, version uint64
	next               bool // not valid yet
	number, last       byte
}

func (h head) section(body []byte) []byte {
	var w bits
	w.put(8, uint64(h.table)).put(1, 1).put(1, 0).put(2, 3).put(12, uint64(len(body)+9)).put(16, h.extension)
	w.put(2, 3).put(5, h.version)
	if h.next {
		w.put(1, 0)
	} else {
		w.put(1, 1)
	}
	w.bytes(h.number, h.last).bytes(body...)
	return binary.BigEndian.AppendUint32(w.b, crcBits(w.b))
}

func pat(id uint64) []byte {
	var w bits // table 2-30: program_number, reserved, PID
	w.put(16, 0).put(3, 7).put(13, 0x10).put(16, 0x1001).put(3, 7).put(13, 0x100)
	return head{table: 0, extension: id}.section(w.b)
}

type service struct {
	id   uint64
	kind byte
	name string // as coded
}

// sdt: EN 300 468, table 5, with service descriptors.
func sdt(h head, origin uint64, ss ...service) []byte {
	var w bits
	w.put(16, origin).put(8, 0xff)
	for _, s := range ss {
		d := append([]byte{0x48, byte(5 + len(s.name)), s.kind, 2, 'P', 'r', byte(len(s.name))}, s.name...)
		w.put(16, s.id).put(6, 0x3f).put(1, 0).put(1, 0).put(3, 4).put(1, 0).put(12, uint64(len(d)+4))
		w.bytes(0x52, 2, 1, 2).bytes(d...) // a descriptor that is not read comes first
	}
	h.table = 0x42
	return h.section(w.b)
}

// nit: EN 300 468, table 3, with a network name and, for one stream, ARIB's TS information
// (STD-B10 part 2): remote control key, lengths, name.
func nit(network, name string, stream uint64, key byte) []byte {
	var w bits
	w.put(4, 15).put(12, uint64(len(name)+2)).bytes(0x40, byte(len(name))).bytes([]byte(name)...)
	ts := []byte{0xcd, 4, key, 1 << 2, 0x41, 0x00}
	w.put(4, 15).put(12, uint64(6+len(ts)))
	w.put(16, stream).put(16, 0x7fe0).put(4, 15).put(12, uint64(len(ts))).bytes(ts...)
	return head{table: 0x40, extension: 0x7fe0}.section(w.b)
}

type channel struct {
	name           string
	major, minor   uint64
	mode           byte
	stream, number uint64
	hidden         uint64
	kind           uint64
}

// vct: A/65, table 6.4.
func vct(id uint64, cs ...channel) []byte {
	var w bits
	w.put(8, 0).put(8, uint64(len(cs)))
	for _, c := range cs {
		u := utf16.Encode([]rune(c.name))
		for i := range 7 {
			v := uint64(0)
			if i < len(u) {
				v = uint64(u[i])
			}
			w.put(16, v)
		}
		w.put(4, 15).put(10, c.major).put(10, c.minor).put(8, uint64(c.mode)).put(32, 0).put(16, c.stream).put(16, c.number)
		w.put(2, 0).put(1, 0).put(1, c.hidden).put(2, 3).put(1, 0).put(3, 7).put(6, c.kind).put(16, 0x42)
		// a service location descriptor that is not read: PCR on 0x31, one element, video there
		w.put(6, 0x3f).put(10, 11).bytes(0xa1, 9, 0xe0, 0x31, 1, 2, 0xe0, 0x31, 0, 0, 0)
	}
	w.put(6, 0x3f).put(10, 0)
	return head{table: 0xc8, extension: id}.section(w.b)
}

func read(t *testing.T, r *Reader, sections ...[]byte) Heard {
	t.Helper()
	for i, s := range sections {
		if err := r.Add(s); err != nil {
			t.Errorf("section %d: %v", i, err)
		}
	}
	return r.Heard()
}

func TestATSC(t *testing.T) {
	var r Reader
	h := read(t, &r, pat(0x0421), vct(0x0421,
		channel{name: "HIGH-TV", major: 7, minor: 1, mode: 4, stream: 0x0421, number: 3, kind: 2},
		channel{name: "Züge", major: 7, minor: 10, mode: 4, stream: 0x0421, number: 5, kind: 2},
		channel{name: "Hills", major: 7, minor: 2, mode: 4, stream: 0x0421, number: 4, kind: 2},
		channel{name: "Sound", major: 7, minor: 3, mode: 4, stream: 0x0421, number: 6, kind: 3},
		channel{name: "Test", major: 7, minor: 4, mode: 4, stream: 0x0421, number: 7, kind: 2, hidden: 1},
		channel{name: "OLD", major: 7, minor: 0, mode: 1, stream: 0x0420, number: 0xffff, kind: 1},
		channel{name: "Off", major: 7, minor: 9, mode: 4, stream: 0x0421, number: 0, kind: 2},
		channel{name: "Elsewh", major: 9, minor: 1, mode: 4, stream: 0x0500, number: 3, kind: 2},
		channel{name: "OnePart", major: 0x3f0 + 1, minor: 5, mode: 4, stream: 0x0421, number: 9, kind: 2},
	))
	want := "[{3 7.1 HIGH-TV false false} {4 7.2 Hills false false} {6 7.3 Sound false true} {7 7.4 Test true false} {5 7.10 Züge false false} {9 1029 OnePart false false}]"
	if got := fmt.Sprint(h.Services); got != want {
		t.Errorf("services\n%s, want\n%s", got, want)
	}
	if name, number := h.Title(); name != "HIGH-TV" || number != "7.1" {
		t.Errorf("title %q %q, want HIGH-TV 7.1", name, number)
	}
	if got := h.Identity(reception.ATSC1); got != "0x0421" || !r.Whole(TableVCT) {
		t.Errorf("identity %q, whole %v; want 0x0421", got, r.Whole(TableVCT))
	}
}

func TestDVB(t *testing.T) {
	var r Reader
	h := read(t, &r, pat(0x0421), sdt(head{extension: 0x0421, last: 1}, 0x233a,
		service{0x1002, 1, "\x05\xdeki"}, service{0x1001, 0x19, "\xc8Uberland"}, service{0x1003, 2, "Sound"}, service{0x1004, 0x0c, "Data"}))
	if r.Whole(TableSDT) || !r.Whole(TablePAT) || r.Whole(TableNIT) {
		t.Error("of two sections of the SDT one has come: it is not whole")
	}
	h = read(t, &r, sdt(head{extension: 0x0421, number: 1, last: 1}, 0x233a, service{0x1005, 1, "\x15Fluß"}), nit("", "Netz", 0x0421, 8))
	want := "[{4097  Überland false false} {4098  Şki false false} {4099  Sound false true} {4100  Data true false} {4101  Fluß false false}]"
	if got := fmt.Sprint(h.Services); got != want || !r.Whole(TableSDT) {
		t.Errorf("services\n%s, want\n%s", got, want)
	}
	if name, number := h.Title(); name != "Überland, Şki and 2 more" || number != "" || h.Network != "Netz" {
		t.Errorf("title %q %q, network %q", name, number, h.Network)
	}
	if got := h.Identity(reception.DVBT2); got != "0x0421/0x233a" {
		t.Errorf("identity %q, want 0x0421/0x233a", got)
	}
}

// Half an identity would be another one.
func TestIdentityIsReadWholeOrNot(t *testing.T) {
	for _, c := range []struct {
		what     string
		sections [][]byte
		system   reception.System
		want     string
	}{
		{"nothing", nil, reception.ATSC1, ""},
		{"a PAT", [][]byte{pat(0)}, reception.ATSC1, "0x0000"},
		{"a PAT of DVB", [][]byte{pat(5)}, reception.DVBT, ""},
		{"an SDT alone", [][]byte{sdt(head{extension: 5}, 6)}, reception.DVBT, ""},
		{"both", [][]byte{pat(5), sdt(head{extension: 5}, 6)}, reception.DVBT, "0x0005/0x0006"},
		{"a PAT of ISDB", [][]byte{pat(0x7fe1)}, reception.ISDBT, "0x7fe1"},
		{"two that differ", [][]byte{pat(5), pat(5), pat(6)}, reception.ATSC1, ""},
		{"one that is not valid yet", [][]byte{pat(5), head{extension: 6, next: true}.section(nil)}, reception.ATSC1, "0x0005"},
		{"another stream's SDT", [][]byte{pat(5), head{table: 0x46, extension: 9}.section([]byte{0, 9, 0xff})}, reception.DVBT, ""},
	} {
		var r Reader
		if got := read(t, &r, c.sections...).Identity(c.system); got != c.want {
			t.Errorf("%s: identity %q, want %q", c.what, got, c.want)
		}
	}
}

func TestISDB(t *testing.T) {
	sections := [][]byte{pat(0x7fe1), sdt(head{extension: 0x7fe1}, 0x7fe1, service{0x0400, 1, "\x1b$B46@>"}), nit("", "\x1b$B46@>", 0x7fe1, 8)}
	r := Reader{Coding: CodingOf(reception.ISDBT, reception.RegionJapan)}
	h := read(t, &r, sections...)
	if name, number := h.Title(); name != "" || number != "8" || h.Note == "" || len(h.Services) != 1 {
		t.Errorf("title %q %q, note %q, services %v; want no name, key 8, and why", name, number, h.Note, h.Services)
	}
	r = Reader{Coding: CodingOf(reception.ISDBT, reception.RegionBrazil)}
	h = read(t, &r, pat(0x7fe1), sdt(head{extension: 0x7fe1}, 0x7fe1, service{0x0400, 1, "Manh\xe3"}))
	if name, _ := h.Title(); name != "Manhã" || h.Note != "" {
		t.Errorf("title %q, note %q, want Manhã", name, h.Note)
	}
}

// The NIT of the kernel's vidtv, Linux 6.1: its loop of streams says 6 bytes and has 11.
func TestNetworkWithAWrongLoop(t *testing.T) {
	b, err := hex.DecodeString("40e025ff44ff0000000d400b4c696e757854562e6f72670006" + "4081ff4400054103088002" + "a5267b4e")
	if err != nil {
		t.Fatal(err)
	}
	r := Reader{Coding: CodingARIB}
	h := read(t, &r, b)
	if !r.Whole(TableNIT) || h.Key != 0 || h.Note == "" {
		t.Errorf("heard %+v, want a whole table without a key", h)
	}
	r = Reader{}
	if h := read(t, &r, b); h.Network != "LinuxTV.org" {
		t.Errorf("network %q, want LinuxTV.org", h.Network)
	}
}

// What is damaged is left out and counted, and what was there before stays.
func TestDamagedSections(t *testing.T) {
	good := sdt(head{extension: 5}, 6, service{1, 1, "One"})
	cut := func(s []byte) []byte { // a body that ends early, under a right CRC
		b := s[8 : len(s)-4]
		return head{table: s[0], extension: 5, version: 1}.section(b[:len(b)-1])
	}
	flip := func(i int, x byte) []byte {
		b := append([]byte{}, good...)
		b[i] ^= x
		return b
	}
	for i, s := range [][]byte{
		nil, {0}, good[:11], good[:len(good)-1], flip(9, 1), flip(len(good)-1, 0x80), flip(1, 0x80), flip(2, 1),
		cut(good), cut(pat(5)), cut(vct(5, channel{name: "x", stream: 5, number: 1})),
		head{table: 0x40, extension: 5}.section([]byte{0xf0, 9, 0x40, 1, 'N'}),
		head{table: 0x42, extension: 5}.section([]byte{0, 7}),
		head{table: 0xc8, extension: 5}.section([]byte{1, 0}),
	} {
		var r Reader
		read(t, &r, pat(5), good)
		if err := r.Add(s); err == nil {
			t.Errorf("section %d %x: no error", i, s)
		}
		if h := r.Heard(); r.Bad() != 1 || h.Identity(reception.DVBT) != "0x0005/0x0006" || len(h.Services) != 1 || h.Services[0].Name != "One" {
			t.Errorf("section %d: %d refused, heard %+v; want one refused and the rest as it was", i, r.Bad(), h)
		}
	}
	for i := range good { // any one bit
		for bit := range 8 {
			var r Reader
			if err := r.Add(flip(i, 1<<bit)); err == nil {
				t.Errorf("byte %d bit %d flipped: no error", i, bit)
			}
		}
	}
}

func TestMemoryIsBounded(t *testing.T) {
	var r Reader
	for id := range 4000 {
		if err := r.Add(sdt(head{extension: 5, version: uint64(id % 32)}, 6, service{uint64(id), 1, strings.Repeat("x", 200)})); err != nil {
			t.Fatal(err)
		}
	}
	h := r.Heard()
	if len(h.Services) != maxServices || len(h.Services[0].Name) != maxText {
		t.Errorf("%d services, name of %d; want %d and %d", len(h.Services), len(h.Services[0].Name), maxServices, maxText)
	}
}

// Table 00 against another implementation of the same standard, but for 0xe2, which is
// the capital of both 0xf2 and 0xf3, and 0xff, a hyphen that is not shown. EN 300 468,
// figure A.1, has the euro sign beside.
func TestISO6937(t *testing.T) {
	b, err := os.ReadFile("testdata/iso6937.txt")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for l := range strings.Lines(string(b)) {
		var code []byte
		var want string
		if k, _ := fmt.Sscanf(l, "%x %s", &code, &want); k != 2 || code[0] == 0xe2 || code[0] == 0xff {
			continue
		}
		want = norm.NFC.String(want)
		n++
		got, ok := dvbText(code)
		if got != want || !ok {
			t.Errorf("%x: %q, want %q", code, got, want)
		}
	}
	if n < 200 {
		t.Errorf("%d rows read, want more than 200", n)
	}
	if got, _ := dvbText([]byte("\xa4")); got != "€" {
		t.Errorf("0xa4: %q, want the euro sign of EN 300 468, figure A.1", got)
	}
}

// EN 300 468, annex A.2, tables A.3 and A.4: how the first byte chooses. What the bytes
// mean there is of ISO/IEC 8859 and the others; the words are the same Unicode.
func TestDVBTextTables(t *testing.T) {
	for _, c := range []struct{ code, want string }{
		{"Plain", "Plain"},
		{"\x86Bold\x87 and\x8anext", "Bold and next"}, // table A.1: emphasis, new line
		{"\x01\xbf\xd5\xe0\xd2\xeb\xd9", "Первый"},    // ISO/IEC 8859-5
		{"\x02\xc7\xe4", "\u0627\u0644"},              // 8859-6: alef, lam
		{"\x03\xc1\xed\xf6\xe1", "Ανφα"},              // 8859-7: Α ν φ α
		{"\x04\xe0\xe1", "אב"},                        // 8859-8
		{"\x05\xfe\xfd", "şı"},                        // 8859-9
		{"\x06\xbf", "ŋ"},                             // 8859-10
		{"\x07\xa1\xb7", "กท"},                        // 8859-11
		{"\x09\xe0", "ą"},                             // 8859-13
		{"\x0a\xa1", "Ḃ"},                             // 8859-14
		{"\x0b\xa4\xbd", "€œ"},                        // 8859-15
		{"\x10\x00\x02\xb1\xe6", "ąć"},                // 8859-2
		{"\x10\x00\x04\xe0", "ā"},                     // 8859-4
		{"\x10\x00\x0b\xa1", "ก"},                     // 8859-11
		{"\x11\x04\x1f\x04\x35\xe0\x8a\x00A", "Пе A"},
		{"\x12\xc7\xd1", "한"},
		{"\x13\xd6\xd0", "中"},
		{"\x14\x4e\x2d", "中"},
		{"\x15Stra\xc3\x9fe\xee\x82\x86", "Straße"}, // U+E086 is emphasis there
	} {
		if got, ok := dvbText([]byte(c.code)); got != c.want || !ok {
			t.Errorf("%q: %q, want %q", c.code, got, c.want)
		}
	}
	for _, code := range []string{"\x00x", "\x08x", "\x0cx", "\x10\x00\x0cx", "\x10\x01\x01x", "\x10\x00", "\x16x", "\x1f\x01x"} {
		if got, ok := dvbText([]byte(code)); got != "" || ok {
			t.Errorf("%q: %q, want it refused", code, got)
		}
	}
}

// A stream that another program made: testdata/README.md.
func TestForeignStream(t *testing.T) {
	b, err := os.ReadFile("testdata/si.ts")
	if err != nil {
		t.Fatal(err)
	}
	var r Reader
	n := 0
	for _, s := range sectionsOf(b) {
		n++
		if err := r.Add(s); err != nil {
			t.Errorf("%x: %v", s, err)
		}
	}
	h := r.Heard()
	name, _ := h.Title()
	if n != 38 || h.Identity(reception.DVBT) != "0x0421/0x233a" || h.Network != "Beispiel" || name != "Höhenzug Eins, Radio Süd ♪" || !r.Whole(TableSDT) {
		t.Errorf("%d sections, heard %+v, title %q", n, h, name)
	}
}

// sectionsOf takes the section out of each packet that begins one; here each fits.
func sectionsOf(ts []byte) (out [][]byte) {
	for ; len(ts) >= 188; ts = ts[188:] {
		if p := ts[:188]; p[0] == 0x47 && p[1]&0x40 != 0 {
			out = append(out, p[5+int(p[4]):])
		}
	}
	return out
}

// Whatever comes, nothing breaks, and what is kept is text and bounded. The CRC is made
// right, or hardly anything would get beyond it.
func FuzzReader(f *testing.F) {
	for _, s := range [][]byte{pat(5), sdt(head{extension: 5}, 6, service{1, 1, "\x05One"}), nit("", "N", 5, 1), vct(5, channel{name: "x", stream: 5, number: 1})} {
		f.Add(s[:len(s)-4], byte(0))
	}
	f.Fuzz(func(t *testing.T, b []byte, coding byte) {
		if len(b) < 8 || len(b) > MaxSection-4 {
			return
		}
		s := append([]byte{}, b...)
		binary.BigEndian.PutUint16(s[1:], 0xb000|uint16(len(s)+1))
		s = binary.BigEndian.AppendUint32(s, crcBits(s))
		r := Reader{Coding: Coding(coding % 3)}
		_, _ = r.Add(s), r.Add(b)
		h := r.Heard()
		name, _ := h.Title()
		for _, v := range append(h.Services, Service{Name: h.Network}, Service{Name: name}) {
			if !utf8.ValidString(v.Name) || utf8.RuneCountInString(v.Name) > 2*maxText+20 || strings.ContainsFunc(v.Name, func(c rune) bool { return !unicode.IsPrint(c) }) {
				t.Errorf("name %q", v.Name)
			}
		}
		if len(h.Services) > maxServices {
			t.Errorf("%d services", len(h.Services))
		}
	})
}

func BenchmarkReader(b *testing.B) {
	s := sdt(head{extension: 5}, 6, service{1, 1, "One"}, service{2, 1, "Two"}, service{3, 1, "\x15Three"})
	b.ReportAllocs()
	b.SetBytes(int64(len(s)))
	for b.Loop() {
		var r Reader
		if err := r.Add(s); err != nil {
			b.Fatal(err)
		}
	}
}
