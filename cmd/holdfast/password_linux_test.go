package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// terminal opens both ends of a terminal.
func terminal(t *testing.T) (person, program *os.File) {
	t.Helper()
	person, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Skipf("real part missing: a pseudo-terminal: %v; mount devpts", err)
	}
	t.Cleanup(func() { person.Close() })
	if err := unix.IoctlSetPointerInt(int(person.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(person.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	program, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { program.Close() })
	return person, program
}

// waitEcho waits until the terminal shows what is typed, or hides it. A terminal
// keeps its own time: there is no clock to fake.
func waitEcho(t *testing.T, f *os.File, shown bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(time.Millisecond) {
		s, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if (s.Lflag&unix.ECHO != 0) == shown {
			return
		}
	}
	t.Fatalf("echo is not %v after 10 s", shown)
}

func TestPasswordIsNotShown(t *testing.T) {
	t.Parallel()
	person, program := terminal(t)
	var said bytes.Buffer
	e := &env{in: program, errOut: &said}
	type answer struct {
		text string
		err  error
	}
	got := make(chan answer, 1)
	ask := func(ctx context.Context) {
		text, err := e.askHidden(ctx, program, "Password: ")
		got <- answer{text, err}
	}
	go ask(t.Context())
	waitEcho(t, program, false)
	fmt.Fprint(person, "thirty-three larks\n")
	if a := <-got; a.err != nil || a.text != "thirty-three larks" {
		t.Fatalf("read %q, %v; want what was typed", a.text, a.err)
	}
	waitEcho(t, program, true)
	fmt.Fprint(program, "end")
	b := make([]byte, 4096)
	seen := ""
	for !strings.Contains(seen, "end") {
		n, err := person.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		seen += string(b[:n])
	}
	if strings.Contains(seen, "larks") || !strings.Contains(said.String(), "Password: ") {
		t.Errorf("the terminal shows %q, asked with %q", seen, said.String())
	}

	// An interrupt gives the echo back.
	ctx, cancel := context.WithCancel(t.Context())
	go ask(ctx)
	waitEcho(t, program, false)
	cancel()
	if a := <-got; a.err == nil || a.text != "" {
		t.Errorf("after an interrupt: %q, %v; want an error", a.text, a.err)
	}
	waitEcho(t, program, true)
	fmt.Fprintln(person) // lets the read end
}
