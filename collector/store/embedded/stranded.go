package embedded

import "sync"

// stranded are files with a name whose transaction failed at its commit. Once another
// commit went through it is settled that the catalogue does not name them.
type stranded struct {
	mu    sync.Mutex
	paths []string
}

func (s *stranded) add(path string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.paths = append(s.paths, path)
}

func (s *stranded) take() (paths []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	paths, s.paths = s.paths, nil
	return paths
}
