package exchange

import (
	"errors"
	"io"
	"iter"
)

func installationsForm() form {
	return form{
		name:    "installations",
		columns: []string{"time", "tuner", "installation", "note"},
		example: "time,tuner,installation,note",
	}
}

// An Installation opens an installation at Time, Unix ms.
type Installation struct {
	Line  int64
	Time  int64
	Tuner string // "" for all
	Name  string
	Note  string
}

// Installations reads an installations file once, from front to back.
type Installations struct{ s *sheet }

// ReadInstallations reads the header of an installations file; time and
// installation are needed.
func ReadInstallations(r io.Reader) (*Installations, error) {
	s, err := installationsForm().open(r)
	if err != nil {
		return nil, err
	}
	if err := errors.Join(s.need("time"), s.need("installation")); err != nil {
		return nil, err
	}
	return &Installations{s}, nil
}

// Rows yields the rows in the order of the file; a bad one as a *LineError. Any
// other error is of the underlying reader and the last pair.
func (in *Installations) Rows() iter.Seq2[Installation, error] {
	return rows(in.s, func(row *Installation, fields [][]byte, line int64) error {
		row.Line = line
		for i, b := range fields {
			var err error
			name := in.s.form.columns[in.s.columns[i]]
			switch name {
			case "time":
				row.Time, err = instant(b)
			case "tuner":
				row.Tuner, err = in.s.text(b)
			case "installation":
				if row.Name, err = in.s.text(b); len(b) == 0 {
					err = errors.New("is empty; want its name")
				}
			case "note":
				row.Note, err = in.s.text(b)
			}
			if err != nil {
				return bad(line, name, err)
			}
		}
		return inTime(row.Time, line)
	})
}

// Warnings returns what looks odd in the rows so far.
func (in *Installations) Warnings() []string { return in.s.empty() }
