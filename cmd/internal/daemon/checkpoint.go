package daemon

import (
	"bytes"
	"crypto/sha256"
	"encoding/gob"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"github.com/google/renameio/v2/maybe"

	"holdfast/alerting"
	"holdfast/analysis/answer"
)

// checkpointFile keeps in the data folder what was worked out of the history, so that
// the next process need not do it again. It may be deleted at any time. It is no entry
// of the ledger, which never forgets: this is made anew whenever the history changes.
const checkpointFile = "checkpoint"

// A checkpoint is what the file holds. Each part names by a hash what it was made of; a
// part whose like is not there any more is not used.
type checkpoint struct {
	Build  [sha256.Size]byte // of the program: another one may answer otherwise
	Points []point
	Memory answer.Memory
}

// A point is how far a replay of the alarms had come at an instant.
type point struct {
	At       int64             // Unix ms
	Digest   [sha256.Size]byte // answer.Fold.Digests
	Replayed []byte            // JSON of alerting.Replayed
}

// A keeper reads the checkpoint of a data folder when it is first wanted, and writes it.
type keeper struct {
	dir   string
	log   *slog.Logger
	every int // days between points

	mu    sync.Mutex
	read  bool
	known checkpoint
	saved int // how much was judged when it was read or written
}

// pointEvery is how many days lie between the points that are kept; the last few days
// have one each, so that tomorrow's replay takes a day.
const (
	pointEvery = 28
	lastPoints = 3
)

func newKeeper(dir string, log *slog.Logger) *keeper {
	return &keeper{dir: dir, log: log, every: pointEvery}
}

// load returns what is known, with what the file holds at the first call. A file that
// is damaged, or another program's, counts as none.
func (k *keeper) load() *checkpoint {
	if k.read {
		return &k.known
	}
	k.read, k.known = true, checkpoint{Build: build()}
	b, err := os.ReadFile(filepath.Join(k.dir, checkpointFile))
	if errors.Is(err, fs.ErrNotExist) {
		return &k.known
	}
	var c checkpoint
	if err == nil {
		c, err = decodeCheckpoint(b)
	}
	switch {
	case err != nil:
		k.log.Debug("the checkpoint cannot be read and is made anew", "error", err)
	case c.Build == k.known.Build && c.Build != [sha256.Size]byte{}:
		k.known, k.saved = c, judged(c.Memory)
	}
	return &k.known
}

func judged(m answer.Memory) int { return len(m.Verdicts) + len(m.Lasting) }

// decodeCheckpoint reads a file: the hash of what follows, and that.
func decodeCheckpoint(b []byte) (c checkpoint, err error) {
	if len(b) < sha256.Size {
		return c, errors.New("it is too short")
	}
	if sha256.Sum256(b[sha256.Size:]) != [sha256.Size]byte(b[:sha256.Size]) {
		return c, errors.New("it is damaged")
	}
	return c, gob.NewDecoder(bytes.NewReader(b[sha256.Size:])).Decode(&c)
}

// save writes what is known.
func (k *keeper) save() error {
	var b bytes.Buffer
	b.Write(make([]byte, sha256.Size))
	if err := gob.NewEncoder(&b).Encode(k.known); err != nil {
		return fmt.Errorf("write the checkpoint: %w", err)
	}
	sum := sha256.Sum256(b.Bytes()[sha256.Size:])
	copy(b.Bytes(), sum[:])
	if err := maybe.WriteFile(filepath.Join(k.dir, checkpointFile), b.Bytes(), 0o600); err != nil {
		return fmt.Errorf("write the checkpoint: %w", err)
	}
	k.saved = judged(k.known.Memory)
	return nil
}

// memory returns what earlier processes judged.
func (k *keeper) memory() answer.Memory {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.load().Memory
}

// keep takes up what was judged, and writes it if it is more than the file has.
func (k *keeper) keep(m answer.Memory) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.load().Memory = m
	if judged(m) > k.saved {
		k.write()
	}
}

// write saves what is of use; a failure costs the next process some seconds, and is no error.
func (k *keeper) write() {
	if k.known.Build == [sha256.Size]byte{} { // nobody could tell whose it is
		return
	}
	if err := k.save(); err != nil {
		k.log.Debug("what was worked out is not kept; the next start takes longer", "error", err)
	}
}

// replay runs the alarms at the instants, ascending, from the last point that still
// holds, and keeps new points.
func (k *keeper) replay(f *answer.Fold, at []int64, answerAt func(at int64) answer.Answer, failed func() bool) (alerting.Replayed, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	c := k.load()
	digests := f.Digests(at)
	var from alerting.Replayed
	start := 0
	var points []point
	for _, p := range c.Points {
		i, ok := slices.BinarySearch(at, p.At)
		if !ok || digests[i] != p.Digest {
			break // what follows rests on it
		}
		var r alerting.Replayed
		if err := json.Unmarshal(p.Replayed, &r); err != nil {
			break
		}
		points = append(points, p)
		from, start = r, i+1
	}
	if start == len(at) {
		return from, nil
	}
	var fault error
	out := from.Replay(at[start:], answerAt, func(now int64, r alerting.Replayed) {
		i, _ := slices.BinarySearch(at, now)
		if failed() || i%k.every != 0 && i < len(at)-lastPoints {
			return
		}
		b, err := json.Marshal(r)
		fault = errors.Join(fault, err)
		points = append(points, point{now, digests[i], b})
	})
	if fault != nil {
		return out, fmt.Errorf("keep the alarms of a replay: %w", fault)
	}
	if failed() {
		return out, nil
	}
	// Of the points of other days' ends only those of every so many days stay.
	c.Points = slices.DeleteFunc(points, func(p point) bool {
		i, _ := slices.BinarySearch(at, p.At)
		return i%k.every != 0 && i < len(at)-lastPoints
	})
	k.write()
	return out, nil
}

// build is a hash of the program itself: a rule that changed anywhere makes another. It
// is the same for each process of one file, and zero where that cannot be read.
var build = sync.OnceValue(func() (sum [sha256.Size]byte) {
	name := "/proc/self/exe" // still there when the file was replaced
	if _, err := os.Stat(name); err != nil {
		if name, err = os.Executable(); err != nil {
			return sum
		}
	}
	f, err := os.Open(name)
	if err != nil {
		return sum
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return sum
	}
	return [sha256.Size]byte(h.Sum(nil))
})
