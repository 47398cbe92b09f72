package embedded

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
)

// Peek tells a store that is not there, one that is held and one that lies closed, and
// leaves no trace in the folder.
func TestPeek(t *testing.T) {
	dir := t.TempDir()
	newest := len(migrations)
	look := func() Look {
		t.Helper()
		before := listing(t, dir)
		l, err := Peek(t.Context(), dir)
		if err != nil {
			t.Fatal(err)
		}
		if after := listing(t, dir); !slices.Equal(before, after) {
			t.Errorf("Peek changed %q to %q", before, after)
		}
		return l
	}
	if l := look(); !reflect.DeepEqual(l, Look{Newest: newest}) {
		t.Errorf("an empty folder looks like %+v", l)
	}
	if l, err := Peek(t.Context(), filepath.Join(dir, "none")); err != nil || l.There {
		t.Errorf("a folder that is not there looks like %+v, %v", l, err)
	}
	s, err := Open(t.Context(), dir, Options{ReserveBytes: -1})
	if err != nil {
		t.Fatal(err)
	}
	if l := look(); !l.There || !l.Held || l.Version != 0 || l.Bytes == 0 {
		t.Errorf("a held store looks like %+v", l)
	}
	// a store of a newer program
	if err := s.w.exec(t.Context(), `INSERT INTO migration VALUES (?, 0)`, newest+1); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if l := look(); !l.There || l.Held || l.Version != newest+1 || l.Newest != newest {
		t.Errorf("a closed store of a newer program looks like %+v", l)
	}
	if err := os.WriteFile(filepath.Join(dir, "holdfast.db"), []byte("this is no database, and long enough to be one of another kind"), 0o600); err != nil {
		t.Fatal(err)
	}
	if l, err := Peek(t.Context(), dir); err == nil {
		t.Errorf("what is no database looks like %+v", l)
	}
}

func listing(t *testing.T, dir string) []string {
	t.Helper()
	es, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range es {
		out = append(out, e.Name())
	}
	return out
}
