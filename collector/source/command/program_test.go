package command

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// The test binary, started with this variable, is the program of a user's: what it
// does stands in the file "mode" of the folder that the variable names.
const variable = "HOLDFAST_TEST_PROGRAM"

func TestMain(m *testing.M) {
	if dir := os.Getenv(variable); dir != "" {
		program(dir)
		os.Exit(0)
	}
	// The tests wait for programs and do not compute: more at a time than processors.
	flag.Parse()
	if err := flag.Set("test.parallel", "16"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

func program(dir string) {
	mode := func() string {
		b, err := os.ReadFile(filepath.Join(dir, "mode"))
		if err != nil {
			return ""
		}
		return string(b)
	}
	note := func(name string, pid int) {
		_ = os.WriteFile(filepath.Join(dir, name), []byte(strconv.Itoa(pid)), 0o600)
	}
	note("pid", os.Getpid())
	start, _ := os.OpenFile(filepath.Join(dir, "starts"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	fmt.Fprint(start, "x")
	start.Close()
	if mode() == "chatter" {
		fmt.Println(`{"locked": false}`)
		fmt.Println("hello")
	}
	in := bufio.NewScanner(os.Stdin)
	for in.Scan() {
		var ask struct {
			Visit struct {
				FrequencyHz int64   `json:"frequency_hz"`
				RF          int     `json:"rf"`
				DwellS      float64 `json:"dwell_s"`
			} `json:"visit"`
		}
		if err := json.Unmarshal(in.Bytes(), &ask); err != nil {
			fmt.Println(`{"error": "the request is no JSON"}`)
			continue
		}
		v := ask.Visit
		dwell := func() { time.Sleep(time.Duration(v.DwellS * float64(time.Second))) }
		m := mode()
		switch {
		case m == "gone":
			fmt.Fprintln(os.Stderr, "no device on the bus")
			os.Exit(3)
		case m == "busy":
			fmt.Println(`{"busy": true}`)
		case m == "hang":
			// deaf to being asked, with a child that would outlive it
			signal.Ignore(syscall.SIGTERM)
			c := exec.Command("sleep", "600")
			if c.Start() == nil {
				note("child", c.Process.Pid)
			}
			time.Sleep(time.Hour)
		case m == "leave": // behind it stays a child
			c := exec.Command("sleep", "600")
			if c.Start() == nil {
				note("child", c.Process.Pid)
			}
			os.Exit(4)
		case m == "loud":
			for i := range 200 {
				fmt.Fprintln(os.Stderr, "line", i, strings.Repeat("x", 9000))
			}
			fmt.Println(`{"locked": false}`)
		case m == "long":
			fmt.Println(`{"mode": "` + strings.Repeat("x", 1<<20) + `"}`)
		case m == "once":
			fmt.Println(`{"locked": false}`)
			os.Exit(0)
		case m == "environment":
			fmt.Printf(`{"error": "own=%s secret=%s path=%t"}`+"\n", os.Getenv("OWN"), os.Getenv("HOLDFAST_TEST_SECRET"), os.Getenv("PATH") != "")
		case m == "nonsense":
			dwell()
			fmt.Println(`{"locked": true, "cn_db": 99, "level_dbm": -4096299, "total_blocks": -9, "locked_s": 0, "errored_s": 1e9}`)
		case m != "" && m != "chatter": // an answer as it stands
			fmt.Println(m)
		case v.FrequencyHz == 569e6 && v.RF == 30:
			dwell()
			fmt.Printf(`{"locked": true, "cn_db": 23.4, "level_dbm": -55.5, "uncorrected_blocks": 0, "total_blocks": 12894, "locked_s": %g, "errored_s": 0, "identity": 2126, "frequency_hz": 569000000}`+"\n", v.DwellS)
		default:
			dwell()
			fmt.Printf(`{"locked": false, "cn_db": null, "dwell_s": %g}`+"\n", v.DwellS)
		}
	}
	note("end", os.Getpid())
}
