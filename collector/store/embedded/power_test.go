//go:build unix

package embedded

import (
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
)

// A platter records what of each file would survive a power failure: what was synced
// for sure, and of what was written since, any part.
type platter struct {
	mu    sync.Mutex
	files map[string]*image
	// durable are the files of the directory of sealed readings by the names that were
	// synced, and names what was done to the names since.
	durable map[string]*image
	names   []naming
	// before, if not nil, is called before each change with the lock held.
	before func()
}

type image struct {
	synced  []byte
	changes []change
}

// A naming gives a name to a file, or takes it away from one.
type naming struct {
	path string
	of   *image // nil: taken away
}

// A change is a write, or a truncation if bytes is nil.
type change struct {
	at    int64
	bytes []byte
}

func (c change) apply(to []byte) []byte {
	end := c.at + int64(len(c.bytes))
	if c.bytes == nil {
		return append(to[:min(int64(len(to)), end)], make([]byte, max(0, end-int64(len(to))))...)
	}
	if int64(len(to)) < end {
		to = append(to, make([]byte, end-int64(len(to)))...)
	}
	copy(to[c.at:], c.bytes)
	return to
}

// note records a change; nil bytes truncate. A nil platter records nothing.
func (p *platter) note(path string, at int64, bytes []byte) {
	if p == nil || path == "" {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.before != nil {
		p.before()
	}
	f := p.files[path]
	if f == nil {
		f = &image{}
		p.files[path] = f
	}
	f.changes = append(f.changes, change{at, bytes})
}

func (p *platter) write(path string, at int64, b []byte) { p.note(path, at, append([]byte{}, b...)) }

func (p *platter) truncate(path string, size int64) { p.note(path, size, nil) }

func (p *platter) sync(path string) {
	if p == nil || path == "" {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.before != nil {
		p.before()
	}
	if f := p.files[path]; f != nil {
		for _, c := range f.changes {
			f.synced = c.apply(f.synced)
		}
		f.changes = nil
	}
}

// named does something to the names of the directory of sealed readings.
func (p *platter) named(do func()) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.before != nil {
		p.before()
	}
	do()
}

func (p *platter) create(path string) {
	p.named(func() {
		f := &image{}
		p.files[path] = f
		p.names = append(p.names, naming{path, f})
	})
}

func (p *platter) rename(from, to string) {
	p.named(func() {
		f := p.files[from]
		delete(p.files, from)
		p.files[to] = f
		p.names = append(p.names, naming{to, f}, naming{from, nil})
	})
}

func (p *platter) unlink(path string) {
	p.named(func() {
		delete(p.files, path)
		p.names = append(p.names, naming{path, nil})
	})
}

func (p *platter) syncDir(string) {
	p.named(func() {
		p.durable = p.after(len(p.names))
		p.names = nil
	})
}

// after returns the names as the first n changes leave them.
func (p *platter) after(n int) map[string]*image {
	out := maps.Clone(p.durable)
	if out == nil {
		out = map[string]*image{}
	}
	for _, c := range p.names[:n] {
		if c.of == nil {
			delete(out, c.path)
		} else {
			out[c.path] = c.of
		}
	}
	return out
}

// remove forgets a file. The cuts of the test come after the first sync of the log,
// which takes the directory along, and SQLite removes nothing later.
func (p *platter) remove(path string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.files, path)
}

// survivors returns what one power failure may leave: of the changes not synced, each
// survives if keep says so, a kept write perhaps torn within a sector's multiple.
func (p *platter) survivors(r *rand.Rand, keep func() bool) map[string][]byte {
	out := map[string][]byte{}
	// A directory's changes survive in their order, up to some one.
	n := 0
	for n < len(p.names) && keep() {
		n++
	}
	files := p.after(n)
	for path, f := range p.files {
		if filepath.Dir(relative(path)) == "." {
			files[path] = f
		}
	}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		f := files[path]
		b := slices.Clone(f.synced)
		for _, c := range f.changes {
			if !keep() {
				continue
			}
			if len(c.bytes) > 512 && r.IntN(3) == 0 {
				c.bytes = c.bytes[:512*(1+r.IntN(len(c.bytes)/512))]
			}
			b = c.apply(b)
		}
		out[relative(path)] = b
	}
	return out
}

// TestPowerFailure cuts the power at moments spread over a hundred appends and the
// checkpoints between them: whatever was acknowledged is there, and nothing is half.
func TestPowerFailure(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	f := newFaulty(t)
	p := &platter{files: map[string]*image{}}
	f.disk, f.lazy = p, true
	s := open(t, t.TempDir(), Options{vfs: f.name})
	defer s.Close()
	checkpointOften(t, s)
	type left struct {
		files map[string][]byte
		acked int64
	}
	var cuts []left
	n := int64(0)
	p.before = func() {
		if r.IntN(10) != 0 {
			return
		}
		keep := []func() bool{
			func() bool { return false },
			func() bool { return true },
			func() bool { return r.IntN(2) == 0 },
		}[r.IntN(3)]
		cuts = append(cuts, left{p.survivors(r, keep), n})
	}
	const steps = 100
	for n < steps {
		if _, err := s.Append(t.Context(), step(n)); err != nil {
			t.Fatal(err)
		}
		p.mu.Lock()
		n++
		p.mu.Unlock()
	}
	if len(cuts) < 50 {
		t.Fatalf("only %d cuts", len(cuts))
	}
	for i, c := range cuts {
		dir := t.TempDir()
		for name, b := range c.files {
			if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		s := open(t, dir, Options{})
		got, err := stored(t.Context(), s)
		if err != nil || got < c.acked || got > c.acked+1 {
			t.Fatalf("cut %d of %d: %d steps are there, %d were acknowledged: %v", i, len(cuts), got, c.acked, err)
		}
		checkWhole(t, s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d cuts", len(cuts))
}
