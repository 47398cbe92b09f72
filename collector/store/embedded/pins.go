package embedded

import (
	"errors"
	"io/fs"
	"sync"
)

// Pins keep sealed files in place while somebody reads or copies them. Whoever wants
// the files that a snapshot of the catalogue names holds them before the snapshot is
// taken; whoever took files out of the catalogue unlinks them here after the commit.
type pins struct {
	remove func(path string) error
	mu     sync.Mutex
	held   int
	doomed []string
}

// hold keeps every file until the function it returns is called; calling that again
// does nothing.
func (p *pins) hold() (release func() error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.held++
	return sync.OnceValue(func() error {
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.held--; p.held > 0 {
			return nil
		}
		doomed := p.doomed
		p.doomed = nil
		return removeAll(p.remove, doomed)
	})
}

// unlink removes files, now or when nobody holds them any more. A crash may leave them:
// opening the store finds files that the catalogue does not name.
func (p *pins) unlink(paths ...string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.held > 0 {
		p.doomed = append(p.doomed, paths...)
		return nil
	}
	return removeAll(p.remove, paths)
}

func removeAll(remove func(string) error, paths []string) error {
	var errs []error
	for _, path := range paths {
		if err := remove(path); !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}
