package command

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/time/rate"
)

const (
	// maxLine is the longest line that an answer may be, in bytes.
	maxLine = 64 << 10
	// maxWord is what a line of standard error is cut to, in bytes.
	maxWord = 500
	// A program that talks without end fills no log: ten lines, then one in ten seconds.
	logBurst, logEvery = 10, 10 * time.Second
	// endWithin is how long a program may take to end once it is asked to.
	endWithin = 400 * time.Millisecond
	// keepLines that nobody asked for; more are dropped.
	keepLines = 16
)

// A process is one run of a program. Its goroutines end with it.
type process struct {
	cmd   *exec.Cmd
	in    *os.File
	lines chan []byte
	quit  chan struct{}
	once  sync.Once
	ended chan struct{} // closed when all of it has ended; then why and at are set
	why   string
	at    time.Time

	mu   sync.Mutex
	fate string // why it was given up, if it was
	word string // its last one on standard error
}

// start starts the program in a process group of its own.
func start(o Options, name string) (*process, error) {
	p := &process{lines: make(chan []byte, keepLines), quit: make(chan struct{}), ended: make(chan struct{})}
	// Pipes of our own: those of os/exec cannot be read to their end after a kill.
	var theirs, ours []*os.File
	pipe := func(weWrite bool) *os.File {
		r, w, err := os.Pipe()
		if err != nil {
			return nil
		}
		if weWrite {
			r, w = w, r
		}
		ours, theirs = append(ours, r), append(theirs, w)
		return r
	}
	shut := func(fs []*os.File) {
		for _, f := range fs {
			f.Close()
		}
	}
	in, out, words := pipe(true), pipe(false), pipe(false)
	if len(ours) < 3 {
		shut(ours)
		shut(theirs)
		return nil, errors.New("there are no pipes left")
	}
	p.in = in
	p.cmd = exec.Command(o.Argv[0], o.Argv[1:]...)
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = theirs[0], theirs[1], theirs[2]
	p.cmd.Env = environment(o.Env)
	ownGroup(p.cmd)
	err := p.cmd.Start()
	shut(theirs)
	if err != nil {
		shut(ours)
		return nil, err
	}
	var readers sync.WaitGroup
	silent := make(chan struct{}) // it has closed its output
	readers.Go(func() {
		defer close(silent)
		p.readLines(out)
	})
	readers.Go(func() { p.readWords(words, o.Log, name) })
	go func() {
		defer close(p.ended)
		err := p.await(silent)
		killGroup(p.cmd) // what it has started
		// what got away from its group may hold the pipes open
		late := time.AfterFunc(endWithin, func() { out.Close(); words.Close() })
		readers.Wait()
		late.Stop()
		shut(ours)
		p.at, p.why = time.Now(), p.fateOf(err)
	}()
	return p, nil
}

// environment is what a program needs to run, and what the config gives it.
func environment(own []Variable) []string {
	env := []string{}
	for _, name := range []string{"PATH", "HOME", "USER", "LANG", "LC_ALL", "TZ", "TMPDIR"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	for _, e := range own {
		env = append(env, e.Name+"="+e.Value)
	}
	return env
}

// stop asks the program to end; it is killed if it does not.
func (p *process) stop() { p.once.Do(func() { close(p.quit) }) }

// endsWithin reports whether all has ended, or does so within d.
func (p *process) endsWithin(d time.Duration) bool {
	if d == 0 {
		select {
		case <-p.ended:
			return true
		default:
			return false
		}
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-p.ended:
		return true
	case <-t.C:
		return false
	}
}

// discard drops lines that came unasked and returns how many.
func (p *process) discard() int {
	for n := 0; ; n++ {
		select {
		case <-p.lines:
		default:
			return n
		}
	}
}

// await waits until the program has ended, by itself or because it must.
func (p *process) await(silent <-chan struct{}) error {
	waited := make(chan error, 1)
	go func() { waited <- p.cmd.Wait() }()
	select {
	case err := <-waited:
		return err
	case <-silent: // it can answer no more
		if err, ok := within(waited, endWithin); ok {
			return err
		}
	case <-p.quit:
	}
	p.in.Close()
	endGroup(p.cmd)
	if err, ok := within(waited, endWithin); ok {
		return err
	}
	killGroup(p.cmd)
	return <-waited
}

func within(c <-chan error, d time.Duration) (error, bool) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case err := <-c:
		return err, true
	case <-t.C:
		return nil, false
	}
}

// readLines hands on the lines of standard output. One that is too long is the end.
func (p *process) readLines(out io.Reader) {
	sc := bufio.NewScanner(out)
	sc.Buffer(make([]byte, 0, 4<<10), maxLine)
	for sc.Scan() {
		if len(strings.TrimSpace(sc.Text())) == 0 {
			continue
		}
		select {
		case p.lines <- []byte(sc.Text()):
		default: // nobody asked
		}
	}
	if errors.Is(sc.Err(), bufio.ErrTooLong) {
		p.mu.Lock()
		p.fate = fmt.Sprintf("it printed a line longer than %d KiB", maxLine>>10)
		p.mu.Unlock()
	}
}

// readWords puts standard error into the log, not too much of it.
func (p *process) readWords(words io.Reader, log *slog.Logger, name string) {
	limit := rate.NewLimiter(rate.Every(logEvery), logBurst)
	dropped := 0
	r := bufio.NewReaderSize(words, 4<<10)
	for {
		line, rest, err := r.ReadLine()
		if err != nil {
			break
		}
		word := plain(line)
		for rest && err == nil {
			_, rest, err = r.ReadLine()
		}
		if word == "" {
			continue
		}
		p.mu.Lock()
		p.word = word
		p.mu.Unlock()
		if !limit.Allow() {
			dropped++
			continue
		}
		args := []any{"program", name, "says", word}
		if dropped > 0 {
			args = append(args, "left_out", dropped)
			dropped = 0
		}
		log.Warn("the program writes to standard error", args...)
	}
	if dropped > 0 {
		log.Warn("the program wrote more to standard error than is logged", "program", name, "left_out", dropped)
	}
}

// plain makes one printable line of what a program wrote.
func plain(b []byte) string {
	b = b[:min(len(b), maxWord)]
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, strings.ToValidUTF8(string(b), "")))
}

// fateOf says why the program ended.
func (p *process) fateOf(err error) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	why := p.fate
	switch {
	case why != "":
	case err != nil:
		why = err.Error()
	default:
		why = "exit status 0"
	}
	if p.word != "" {
		why += `, its last words: "` + p.word + `"`
	}
	return why
}
