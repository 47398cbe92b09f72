package segment

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"
)

// ErrDamaged: the file's bytes are not those that were written.
var ErrDamaged = errors.New("file is damaged")

// ErrOther: the file is none of ours, or a newer version wrote it.
var ErrOther = errors.New("file is not of a form that this version reads")

// A File is open for reading. Its methods may be called concurrently, each with a
// buffer of its own.
type File struct {
	r      io.ReaderAt
	codec  *Codec
	groups []group
	crc    uint32
}

type group struct {
	rows      int
	pos, size int64
	crc       uint32
	chunks    []chunk
}

// A chunk is a column's part of its group.
type chunk struct {
	from, to   int32 // within the group
	compressed bool
}

// maxFooter bounds what is believed of the length of a file's end.
const maxFooter = 64 << 20

// Open reads the end of a file.
func Open(r io.ReaderAt, size int64, c *Codec) (*File, error) {
	var tail [8]byte
	if size < 12 {
		return nil, fmt.Errorf("%w: it has only %d bytes", ErrDamaged, size)
	}
	if _, err := r.ReadAt(tail[:], size-8); err != nil {
		return nil, err
	}
	n := int64(binary.LittleEndian.Uint32(tail[:]))
	if string(tail[4:]) != magic || n > maxFooter || n > size-12 {
		return nil, fmt.Errorf("%w: its end is missing", ErrDamaged)
	}
	b := make([]byte, n+8)
	if _, err := r.ReadAt(b, size-n-8); err != nil {
		return nil, err
	}
	f := &File{r: r, codec: c, crc: crc32.Checksum(b, castagnoli)}
	var meta format.FileMetaData
	if err := guard(func() error { return thrift.Unmarshal(compact, b[:n], &meta) }); err != nil {
		return nil, fmt.Errorf("%w: its end cannot be read: %w", ErrDamaged, err)
	}
	if err := f.take(&meta, size-n-8); err != nil {
		return nil, err
	}
	return f, nil
}

// take keeps of the metadata what reading needs. Groups and their columns lie one
// after the other from the first byte to `end`.
func (f *File) take(meta *format.FileMetaData, end int64) error {
	words := map[string]string{}
	for _, kv := range meta.KeyValueMetadata {
		words[kv.Key] = kv.Value
	}
	if words[formatKey] != version {
		return fmt.Errorf("%w: it says %s %q, this version reads %q", ErrOther, formatKey, words[formatKey], version)
	}
	names := columnNames
	if len(meta.Schema) != len(names)+1 {
		return fmt.Errorf("%w: it has %d columns, not %d", ErrOther, len(meta.Schema)-1, len(names))
	}
	for i, name := range names {
		if meta.Schema[i+1].Name != name {
			return fmt.Errorf("%w: its column %d is %q, not %q", ErrOther, i, meta.Schema[i+1].Name, name)
		}
	}
	crcs, err := hex.DecodeString(words[crcKey])
	if err != nil || len(crcs) != 4*len(meta.RowGroups) {
		return fmt.Errorf("%w: it does not have a checksum for each group", ErrDamaged)
	}
	at := int64(len(magic))
	for i := range meta.RowGroups {
		g := &meta.RowGroups[i]
		out := group{rows: int(g.NumRows), pos: at, crc: binary.BigEndian.Uint32(crcs[4*i:])}
		if g.NumRows < 1 || g.NumRows > MaxRows || len(g.Columns) != len(names) {
			return fmt.Errorf("%w: its group %d has %d rows of %d columns", ErrDamaged, i, g.NumRows, len(g.Columns))
		}
		for k := range g.Columns {
			m := &g.Columns[k].MetaData
			from := m.DataPageOffset
			if m.DictionaryPageOffset > 0 {
				from = m.DictionaryPageOffset
			}
			if from != at || m.TotalCompressedSize < 1 || m.TotalCompressedSize > end-at || at+m.TotalCompressedSize-out.pos > 1<<30 {
				return fmt.Errorf("%w: its column %s is not where it should be", ErrDamaged, names[k])
			}
			at += m.TotalCompressedSize
			out.chunks = append(out.chunks, chunk{int32(from - out.pos), int32(at - out.pos), m.Codec == format.Zstd})
		}
		out.size = at - out.pos
		f.groups = append(f.groups, out)
	}
	if at != end {
		return fmt.Errorf("%w: %d bytes belong to nothing", ErrDamaged, end-at)
	}
	return nil
}

// CRC returns the CRC-32C of all that follows the last group.
func (f *File) CRC() uint32 { return f.crc }

// Groups returns how many rows each group has.
func (f *File) Groups() []int {
	out := make([]int, len(f.groups))
	for i := range f.groups {
		out[i] = f.groups[i].rows
	}
	return out
}

// load reads the bytes of a group into buf, and checks them.
func (f *File) load(g int, buf []byte) ([]byte, error) {
	if g < 0 || g >= len(f.groups) {
		return buf, fmt.Errorf("%w: it has no group %d", ErrDamaged, g)
	}
	x := &f.groups[g]
	buf = slices.Grow(buf[:0], int(x.size)+padding)[:x.size]
	if _, err := f.r.ReadAt(buf, x.pos); err != nil {
		if errors.Is(err, io.EOF) {
			err = fmt.Errorf("%w: it ends early", ErrDamaged)
		}
		return buf, err
	}
	if crc32.Checksum(buf, castagnoli) != x.crc {
		return buf, fmt.Errorf("%w: the checksum of its group %d is wrong", ErrDamaged, g)
	}
	return buf, nil
}

// padding lets the decoders look past the end.
const padding = 64

// guard turns a panic of a decoder into an error: what it reads may be anything.
func guard(fn func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: %v", ErrDamaged, p)
		}
	}()
	return fn()
}
