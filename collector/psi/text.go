package psi

import (
	"encoding/binary"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/korean"
	"golang.org/x/text/encoding/simplifiedchinese"
	"golang.org/x/text/unicode/norm"

	"holdfast/analysis/reception"
)

// Coding is how the names of SDT and NIT are written.
type Coding int

// The codings.
const (
	CodingDVB    Coding = iota // EN 300 468, annex A
	CodingARIB                 // the 8-bit code of ARIB STD-B24, which is not read here
	CodingLatin9               // ISO/IEC 8859-15, as in Brazil (ABNT NBR 15603; from memory)
)

// CodingOf says how a system's names are written in a region.
func CodingOf(s reception.System, r reception.Region) Coding {
	switch {
	case s != reception.ISDBT:
		return CodingDVB
	case r == reception.RegionBrazil:
		return CodingLatin9
	}
	return CodingARIB
}

// text reads a name; "" for one that cannot be read.
func (r *Reader) text(b []byte) string {
	switch {
	case len(b) == 0:
		return ""
	case r.Coding == CodingARIB:
		r.note = "names are written in ARIB's 8-bit code, which is not read"
		return ""
	case r.Coding == CodingLatin9:
		return decode(charmap.ISO8859_15, b)
	}
	s, ok := dvbText(b)
	if !ok {
		r.note = "names are written in a code that is not read"
	}
	return s
}

// The ISO/IEC 8859 parts by number; 12 does not exist. Part 11 is the Thai code, whose
// upper half Windows' page 874 shares.
var parts8859 = [16]encoding.Encoding{
	1: charmap.ISO8859_1, 2: charmap.ISO8859_2, 3: charmap.ISO8859_3, 4: charmap.ISO8859_4, 5: charmap.ISO8859_5,
	6: charmap.ISO8859_6, 7: charmap.ISO8859_7, 8: charmap.ISO8859_8, 9: charmap.ISO8859_9, 10: charmap.ISO8859_10,
	11: charmap.Windows874, 13: charmap.ISO8859_13, 14: charmap.ISO8859_14, 15: charmap.ISO8859_15,
}

// dvbText reads a text field of EN 300 468, annex A.2: the first byte says which table
// (tables A.3 and A.4).
func dvbText(b []byte) (string, bool) {
	c := b[0]
	switch {
	case c >= 0x20:
		return clean(iso6937(single(b))), true
	case c >= 0x01 && c <= 0x0b && parts8859[c+4] != nil:
		return decode(parts8859[c+4], b[1:]), true
	case c == 0x10 && len(b) >= 3 && b[1] == 0 && b[2] < 16 && parts8859[b[2]] != nil:
		return decode(parts8859[b[2]], b[3:]), true
	case c == 0x11 || c == 0x14: // the Basic Multilingual Plane, and the part of it that Big5 has
		return clean(utf16BE(b[1:])), true
	case c == 0x12:
		return clean(double(korean.EUCKR, b[1:])), true
	case c == 0x13:
		return clean(double(simplifiedchinese.GBK, b[1:])), true
	case c == 0x15:
		return clean(string(b[1:])), true
	}
	return "", false
}

// decode reads a code of one byte a character, whose control codes 0x80 to 0x9f are those
// of annex A.1, table A.1.
func decode(e encoding.Encoding, b []byte) string { return clean(double(e, single(b))) }

// single takes the control codes out: 0x8a is a new line, the others are emphasis or
// nothing.
func single(b []byte) []byte {
	out := make([]byte, 0, len(b))
	for _, c := range b {
		switch {
		case c == 0x8a:
			out = append(out, ' ')
		case c >= 0x20 && (c < 0x7f || c >= 0xa0):
			out = append(out, c)
		}
	}
	return out
}

func double(e encoding.Encoding, b []byte) string {
	s, err := e.NewDecoder().Bytes(b)
	if err != nil {
		return ""
	}
	return string(s)
}

func utf16BE(b []byte) string {
	u := make([]uint16, len(b)/2)
	for i := range u {
		u[i] = binary.BigEndian.Uint16(b[2*i:])
	}
	return string(utf16.Decode(u))
}

// clean drops what is no text: control codes (0xe080 to 0xe09f are those of the tables
// of two bytes, table A.2) and what could not be decoded, and bounds the length.
func clean(s string) string {
	var b strings.Builder
	n := 0
	for _, c := range s {
		switch {
		case c == 0xe08a || c == '\n':
			c = ' '
		case c == utf8.RuneError || c >= 0xe000 && c <= 0xf8ff || !unicode.IsPrint(c) && c != 0xa0:
			continue
		}
		if n++; n > maxText {
			break
		}
		b.WriteRune(c)
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// The upper half of table 00, EN 300 468, figure A.1: ISO/IEC 6937 with the euro sign.
// 0 is not used. 0xc1 to 0xcf are marks on the letter that follows.
var upper6937 = [96]rune{
	' ', '¡', '¢', '£', '€', '¥', 0, '§', '¤', '‘', '“', '«', '←', '↑', '→', '↓',
	0xb0 - 0xa0: '°', '±', '²', '³', '×', 'µ', '¶', '·', '÷', '’', '”', '»', '¼', '½', '¾', '¿',
	0xc1 - 0xa0: 0x300, 0x301, 0x302, 0x303, 0x304, 0x306, 0x307, 0x308, 0, 0x30a, 0x327, 0, 0x30b, 0x328, 0x30c,
	0xd0 - 0xa0: '—', '¹', '®', '©', '™', '♪', '¬', '¦', 0, 0, 0, 0, '⅛', '⅜', '⅝', '⅞',
	0xe0 - 0xa0: 'Ω', 'Æ', 'Đ', 'ª', 'Ħ', 0, 'Ĳ', 'Ŀ', 'Ł', 'Ø', 'Œ', 'º', 'Þ', 'Ŧ', 'Ŋ', 'ŉ',
	0xf0 - 0xa0: 'ĸ', 'æ', 'đ', 'ð', 'ħ', 'ı', 'ĳ', 'ŀ', 'ł', 'ø', 'œ', 'ß', 'þ', 'ŧ', 'ŋ', 0,
}

func iso6937(b []byte) string {
	var out strings.Builder
	var mark rune
	for _, c := range b {
		u := rune(c)
		if c >= 0xa0 {
			u = upper6937[c-0xa0]
		}
		switch {
		case u >= 0x300 && u < 0x370:
			mark = u
			continue
		case u != 0:
			out.WriteRune(u)
		}
		if mark != 0 && u != 0 {
			out.WriteRune(mark)
		}
		mark = 0
	}
	return norm.NFC.String(out.String())
}
