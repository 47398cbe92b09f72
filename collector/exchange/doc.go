// Package exchange reads and writes the CSV forms in which readings, weather,
// installations and scales go in and out of holdfast.
//
// A file is UTF-8 text (a byte order mark is passed over) of comma-separated
// columns, RFC 4180, line feed or carriage return and line feed, whose first line
// names the columns in any order. An empty cell is "not available". A column that
// no form knows is refused: a mistyped name would lose its values without a word.
//
// What is wrong with the whole file (no such column, another separator, UTF-16)
// is an error of the constructor. What is wrong with one line is a [*LineError]
// in the sequence of rows, and reading goes on. What was assumed or looks odd is
// a warning, one line for each kind with the number of rows, once the rows have
// been read.
package exchange

import "fmt"

// A LineError says why one line of a file was not taken. Lines after it are read.
type LineError struct {
	Line   int64 // of the file, the first is 1; quoted line feeds count
	Reason string
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Reason) }
