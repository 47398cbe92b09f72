// Package segment writes and reads files of sealed readings: Apache Parquet, one row
// group a series, its rows ascending by time. It knows columns and files, and nothing
// of stores.
//
// The pages are put together here, from the encodings and file structures of
// parquet-go, and not by its writer and reader: those take every value as a variant of
// 24 bytes, and readings are some thirty columns of which twenty say the same thing
// for months. What is written is read back with parquet-go's own reader in the tests.
//
// A number comes back bit by bit. Decibels are integers of tenths, delta coded, and
// beside them what the tenths leave, in thousandths, null where a source is no finer:
// neither packing nor compression would see that all values are multiples of ten. The
// spread is in hundredths; the lowest C/N is kept as how far it lies below the C/N. The
// time is in seconds with its milliseconds apart. A number that thousandths cannot hold
// stands in the column exact, as text, such as "cn_spread_db=0.12345678901234568"; the
// other columns then have it rounded.
package segment

import (
	"hash/crc32"

	"holdfast/analysis/reception"
)

// MaxRows is how many rows a group holds at most, so that reading one takes a few
// megabytes.
const MaxRows = 65536

// version is what the key formatKey of a file's metadata says.
const version = "1"

// Keys of a file's metadata.
const (
	formatKey = "holdfast.format"
	// crcKey holds the CRC-32C of each row group's bytes, eight hexadecimal digits each.
	crcKey = "holdfast.crc32c"
)

// A Group describes a row group.
type Group struct {
	Rows        int
	First, Last int64 // Time of its first and last row; known when it was written
	Series      reception.Series
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)
