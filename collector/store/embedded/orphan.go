package embedded

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"holdfast/analysis/reception"
	"holdfast/collector/store"
	"holdfast/collector/store/embedded/segment"
)

// prepareReadings makes the directory of sealed readings.
func (s *Store) prepareReadings() error {
	if n := len(s.shelf.segments); n > 0 {
		if _, err := os.Stat(s.readings()); errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("its directory %s with %d files is missing; put it back, or restore a backup; to go on without these readings make it anew", s.readings(), n)
		}
	}
	err := os.Mkdir(s.readings(), 0o700)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err == nil {
		err = s.disk.SyncDir(s.dir)
	}
	return err
}

// sweep looks through the directory of sealed readings: unfinished files are removed,
// files of the catalogue must be there in their length, and others are returned.
func (s *Store) sweep() (orphans []string, err error) {
	list, err := os.ReadDir(s.readings())
	if err != nil {
		return nil, err
	}
	known := map[string]*segmentRow{}
	for _, seg := range s.shelf.segments {
		known[seg.file] = seg
	}
	last := s.lastSegment.Load()
	for _, e := range list {
		name := e.Name()
		last = max(last, idOf(name))
		switch seg := known[name]; {
		case strings.HasPrefix(name, ".") && strings.HasSuffix(name, ".parquet.tmp"):
			if err := s.disk.Remove(filepath.Join(s.readings(), name)); err != nil {
				return nil, err
			}
		case seg != nil:
			delete(known, name)
			info, err := e.Info()
			if err != nil {
				return nil, err
			}
			if info.Size() != seg.bytes {
				s.archive.damaged(seg, fmt.Errorf("%w: it has %d bytes, not %d", segment.ErrDamaged, info.Size(), seg.bytes))
			}
		case strings.HasSuffix(name, damagedSuffix):
			s.archive.tell(wasDamaged(filepath.Join(s.readings(), name)))
		case strings.HasSuffix(name, ".parquet") && e.Type().IsRegular():
			orphans = append(orphans, name)
		}
	}
	for _, seg := range known {
		s.archive.damaged(seg, fs.ErrNotExist)
	}
	s.lastSegment.Store(last)
	slices.Sort(orphans)
	return orphans, nil
}

// idOf returns the segment id in a file name, 0 if there is none.
func idOf(name string) int64 {
	parts := strings.Split(strings.TrimPrefix(name, "."), ".")
	if len(parts) < 3 {
		return 0
	}
	id, err := strconv.ParseInt(parts[1], 10, 64)
	if err != nil {
		return 0
	}
	return id
}

// adoptRows is how many readings of an orphan are looked up at once.
const adoptRows = 200000

// adopt takes over what orphans hold that the log does not, and removes them. A file
// that cannot be read stays where it is, and is reported.
func (s *Store) adopt(ctx context.Context, orphans []string) error {
	for _, name := range orphans {
		path := filepath.Join(s.readings(), name)
		added, conflicts, err := s.adoptFile(ctx, path)
		switch {
		case errors.Is(err, segment.ErrDamaged) || errors.Is(err, segment.ErrOther):
			line := leftAlone(path, err)
			s.archive.tell(line)
			s.log.Warn(line, "readings taken", added)
			continue
		case ctx.Err() != nil:
			return ctx.Err()
		case err != nil: // a full disk, say: what is there answers all the same
			line := fmt.Sprintf("%s could not be looked through: %v; the next start tries it again", path, err)
			s.archive.tell(line)
			s.log.Warn(line, "readings taken", added)
			continue
		}
		if err := s.disk.Remove(path); err != nil {
			return err
		}
		if added > 0 || conflicts > 0 {
			s.log.Warn("readings were found that the database did not know; they are back", "file", path, "readings", added, "conflicts", conflicts)
		}
	}
	return nil
}

func (s *Store) adoptFile(ctx context.Context, path string) (added, conflicts int, err error) {
	r, err := s.disk.Open(path)
	if err != nil {
		return 0, 0, err
	}
	defer r.Close()
	size, err := r.Size()
	if err != nil {
		return 0, 0, err
	}
	f, err := segment.Open(r, size, s.codec)
	if err != nil {
		return 0, 0, err
	}
	cols := s.archive.borrow()
	defer s.archive.giveBack(cols)
	var batch []reception.Reading
	flush := func() error {
		a, err := s.Append(ctx, store.Batch{Readings: batch})
		added, conflicts, batch = added+a.New, conflicts+len(a.Conflicts), batch[:0]
		return err
	}
	for g, rows := range f.Groups() {
		if err := f.Read(g, cols); err != nil {
			return added, conflicts, err
		}
		n := len(batch)
		batch = slices.Grow(batch, rows)[:n+rows]
		cols.Fill(batch[n:], 0)
		if len(batch) >= adoptRows {
			if err := flush(); err != nil {
				return added, conflicts, err
			}
		}
	}
	return added, conflicts, flush()
}

// damagedSuffix is appended to the name of a file that cannot be read.
const damagedSuffix = ".damaged"

// strikeAside takes the files that were set aside out of the catalogue, so that counts
// are right and the rest can be merged. Damaged ones keep their bytes under another
// name. A good copy that is put in their place later is a file that the catalogue does
// not name, and its readings are taken over; so are those of a file of another version,
// which keeps its name, once a program reads it.
func (s *Store) strikeAside(ctx context.Context) error {
	s.archive.mu.Lock()
	aside := maps.Clone(s.archive.aside)
	s.archive.mu.Unlock()
	s.mu.RLock()
	h := s.shelf
	s.mu.RUnlock()
	gone := map[int64]bool{}
	renamed := false
	for id, damaged := range aside {
		seg := h.segments[id]
		if seg == nil {
			continue
		}
		gone[id] = true
		if damaged {
			path := s.segmentPath(seg)
			if err := s.disk.Rename(path, path+damagedSuffix); err != nil {
				return s.explainFile("set a damaged file aside", err)
			}
			renamed = true
		}
	}
	if len(gone) == 0 {
		return nil
	}
	if renamed {
		if err := s.disk.SyncDir(s.readings()); err != nil {
			return s.explainFile("set a damaged file aside", err)
		}
	}
	if err := s.strikeAll(ctx, gone); err != nil {
		return err
	}
	for id := range gone {
		s.archive.forget(id)
	}
	return nil
}

func (s *Store) strikeAll(ctx context.Context, gone map[int64]bool) error {
	run := context.WithoutCancel(ctx)
	var next *shelf
	stands := map[*seriesRow]store.Stored{}
	return s.write(ctx, forSealing, func() error {
		next = s.shelf.with(nil, gone)
		for id := range gone {
			if err := s.strike(run, id); err != nil {
				return err
			}
		}
		// What is pending is in the counts that follow.
		if err := s.writeDown(run, nil, nil); err != nil {
			return err
		}
		for _, r := range s.cat.series {
			if !slices.ContainsFunc(s.shelf.groups[r.id], func(g groupRow) bool { return gone[g.seg.id] }) {
				continue
			}
			d := store.Stored{Series: r.Series}
			err := s.w.row(run, `SELECT coalesce(min(time), 0), coalesce(max(time), 0), count(*) FROM hot WHERE series = ?`, []any{r.id}, &d.First, &d.Last, &d.Count)
			if err != nil {
				return err
			}
			for _, g := range next.groups[r.id] {
				if d.Count == 0 {
					d.First, d.Last = g.t0, g.t1
				}
				d.First, d.Last, d.Count = min(d.First, g.t0), max(d.Last, g.t1), d.Count+g.n
			}
			if err := s.w.exec(run, `UPDATE series SET first = ?, last = ?, count = ? WHERE id = ?`, d.First, d.Last, d.Count, r.id); err != nil {
				return err
			}
			stands[r] = d
		}
		return nil
	}, func() {
		s.shelf, s.cat.pending = next, nil
		for r, d := range stands {
			r.First, r.Last, r.Count = d.First, d.Last, d.Count // iterators read the rest
		}
	})
}

// Problems returns what of the sealed readings cannot be read, why, and what to do about
// it, one line each; none where all is well.
func (s *Store) Problems() []string {
	l := s.archive
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Concat(l.lines, l.extra)
}
