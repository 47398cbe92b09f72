package daemon

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"holdfast/analysis/answer"
	"holdfast/configs"
)

// A network device of the status page's kind is measured from the config on: what it
// says comes out of the answer, while a viewer has it nothing does, and a broken page
// is said in one line.
func TestNetworkDevice(t *testing.T) {
	t.Parallel()
	var mu sync.Mutex
	clients, hz, packets, broken := 0, "", 0, false
	mux := http.NewServeMux()
	mux.HandleFunc("/tune", func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if u, p, _ := r.BasicAuth(); u != "watcher" || p != "pa55" || r.Header.Get("X-Key") != "k3y" || r.Method != http.MethodPost {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		hz = r.URL.Query().Get("hz")
	})
	mux.HandleFunc("/status.json", func(w http.ResponseWriter, _ *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if broken {
			fmt.Fprint(w, "<h1>Update your device</h1>")
			return
		}
		packets += 12894
		locked := hz == "569000000"
		mer := "null"
		if locked {
			mer = "287"
		}
		fmt.Fprintf(w, `{"serial": "7731", "clients": %d, "tuner": {"locked": %t, "mer": %s, "level": -51.5, "bad": 0, "packets": %d}}`, clients, locked, mer, packets)
	})
	device := httptest.NewServer(mux)
	defer device.Close()

	c := parse(t, fmt.Sprintf(`
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York }
channels: [ { rf: 30, name: Copper } ]
tuners:
  - name: loft
    kind: httpjson
    every: 2s
    dwell: 1s
    tune_url: %[1]s/tune?hz={frequency_hz}
    tune_method: post
    read_url: %[1]s/status.json
    mapping: |
      {busy: (.clients > 0), locked: .tuner.locked, level_dbm: .tuner.level,
       cn_db: (.tuner.mer | if . then . / 10 else null end),
       uncorrected_blocks: .tuner.bad, total_blocks: .tuner.packets}
    device: .serial
    device_id: "7731"
    user: watcher
    password: pa55
    headers: [ { name: X-Key, value: k3y } ]
    quantity: mer
web: { listen: "127.0.0.1:0" }
`, device.URL))
	r := start(t, c, t.TempDir(), nil)
	eventually(t, "the channel is measured", func() bool {
		var a answer.Answer
		if err := json.Unmarshal([]byte(get(t, r.url+"/api/answer")), &a); err != nil {
			t.Fatal(err)
		}
		return len(a.Channels) == 1 && a.Channels[0].Latest.Locked && a.Channels[0].Latest.CNDB == 28.7 && a.Channels[0].Latest.LevelDBm == -51.5
	})
	mu.Lock()
	clients = 1
	mu.Unlock()
	eventually(t, "a viewer has it", func() bool { return strings.Contains(r.log.String(), "tuner is in use by somebody else") })
	mu.Lock()
	clients, broken = 0, true
	mu.Unlock()
	eventually(t, "the page is said to be no JSON", func() bool {
		return strings.Contains(r.log.String(), `answer is not JSON, it begins`)
	})
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
	if l := r.log.String(); strings.Contains(l, "pa55") || strings.Contains(l, "k3y") {
		t.Errorf("the log holds a secret:\n%s", l)
	}
}

// A program that prints lines is measured from the config on.
func TestProgramOfLines(t *testing.T) {
	t.Parallel()
	if _, err := os.Stat("/bin/sh"); err != nil {
		t.Skip("real part missing: there is no /bin/sh")
	}
	dir := t.TempDir()
	script := "#!/bin/sh\nwhile read -r line; do\n  case $line in *569000000*) sleep 1; echo '{\"locked\": true, \"cn_db\": '$CN'}';; *) echo '{\"locked\": false}';; esac\ndone\n"
	if err := os.WriteFile(filepath.Join(dir, "lines"), []byte(script), 0o700); err != nil {
		t.Fatal(err)
	}
	c, err := configs.Parse(filepath.Join(dir, "test.yaml"), []byte(`
version: 1
home: { name: Test Lane, region: us, time_zone: America/New_York }
channels: [ { rf: 30 } ]
tuners: [ { name: shed, kind: command, command: [./lines], env: [ { name: CN, value: "27.1" } ], every: 2s, dwell: 1s } ]
web: { listen: "127.0.0.1:0" }
`))
	if err != nil {
		t.Fatal(err)
	}
	r := start(t, c, t.TempDir(), nil)
	eventually(t, "the program's C/N is the latest", func() bool { return strings.Contains(get(t, r.url+"/api/answer"), `"cn_db":27.1`) })
	if err := r.stop(); err != nil {
		t.Errorf("Run = %v, want nil", err)
	}
}

// What the examples and the reference say opens; the devices need not be there.
func TestExamplesOpen(t *testing.T) {
	t.Setenv("TUNER_PASSWORD", "p")
	t.Setenv("WEATHER_KEY", "k")
	opened := map[string]bool{}
	for _, name := range []string{"network-device.yaml", "tuner-program.yaml", "reference.yaml"} {
		c, err := configs.Load(filepath.Join("..", "..", "..", "configs", name))
		if err != nil {
			t.Fatal(err)
		}
		for _, tuner := range c.Tuners {
			if tuner.Kind != "httpjson" && tuner.Kind != "command" {
				continue
			}
			s, err := openSource(t.Context(), tuner, sourceParts{now: time.Now, log: slog.New(slog.DiscardHandler)})
			if err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			opened[tuner.Kind] = true
			if err := s.Close(); err != nil {
				t.Errorf("%s: close %s: %v", name, tuner.Name, err)
			}
		}
	}
	if !opened["httpjson"] || !opened["command"] {
		t.Errorf("opened %v, want both kinds", opened)
	}
}
