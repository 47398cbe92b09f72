package configs

import (
	"fmt"
	"net/url"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"holdfast/collector/address"
	"holdfast/collector/jq"
)

// dvb checks which frontend is meant; devices holds the line of each.
func (d *decoder) dvb(t *Tuner, p string, devices map[string]int) {
	d.within(p+".adapter", float64(t.Adapter), 0, 255, ": the N of /dev/dvb/adapterN")
	d.within(p+".frontend", float64(t.Frontend), 0, 255, ": the N of frontendN")
	byPath, byAdapter, byModel := d.has(p+".path"), d.has(p+".adapter"), d.has(p+".model")
	if byPath && byAdapter {
		d.wrong(p+".adapter", "path is there too, and adapter numbers change; keep path alone")
	}
	if byPath && !d.faulty(p+".path") && (!strings.HasPrefix(t.Path, "/sys/devices/") || path.Clean(t.Path) != t.Path) {
		d.wrong(p+".path", "%q is no place of a device; write it as holdfast report-tuner prints it, such as /sys/devices/pci0000:00/0000:00:14.0/usb1/1-2", cut(t.Path))
	}
	if byModel && strings.TrimSpace(t.Model) != t.Model || byModel && t.Model == "" && !d.faulty(p+".model") {
		d.wrong(p+".model", "%q is no name of a tuner; write it as holdfast report-tuner prints it", cut(t.Model))
	}
	if !d.has(p + ".riding") {
		t.Riding = "never"
	}
	if t.Riding == "only" {
		for _, key := range []string{"keep_out", "lent"} {
			if d.has(p + "." + key) {
				d.wrong(p+"."+key, "does nothing where riding is only: the tuner is never taken; remove it")
			}
		}
	}
	var dev string
	switch {
	case byPath:
		dev = fmt.Sprintf("the tuner at %s, frontend %d,", t.Path, t.Frontend)
	case byModel && !byAdapter:
		dev = fmt.Sprintf("the tuner that calls itself %q, frontend %d,", cut(t.Model), t.Frontend)
	default:
		dev = fmt.Sprintf("adapter %d, frontend %d", t.Adapter, t.Frontend)
	}
	if (byPath || byModel) && !byAdapter {
		t.Adapter = -1
	}
	if was, ok := devices[dev]; ok {
		d.wrong(p, "%s is visited by the tuner on line %d; remove one", dev, was)
		return
	}
	devices[dev] = d.at(p).Line
}

// httpjson checks a device with a status page; tuned holds the line of each address
// that tunes.
func (d *decoder) httpjson(t *Tuner, p string, tuned map[string]int) {
	given := func(key string) bool { return d.has(p+"."+key) || d.has(p+"."+key+"_file") }
	if !given("read_url") {
		d.missing(p, "read_url", "read_url: and the address of its status page")
	}
	d.missing(p, "mapping", "mapping: and a jq expression such as {locked: .lock, cn_db: .snr}")
	d.expression(t.Mapping, p+".mapping", "{locked: .lock, cn_db: .snr}")
	d.expression(t.Device, p+".device", ".serial")
	d.template(t.TuneURL, p+".tune_url")
	d.template(t.ReadURL, p+".read_url")
	d.template(t.ReleaseURL, p+".release_url")
	for _, key := range []string{"tune_method", "release_url"} {
		if at := d.keyOf(p + "." + key); d.has(at) && !given("tune_url") {
			d.wrong(at, "does nothing without tune_url; write that, or remove it")
		}
	}
	if t.TuneURL.Set() {
		if was, ok := tuned[t.TuneURL.Reveal()]; ok {
			d.wrong(d.keyOf(p+".tune_url"), "the same device is tuned by the tuner on line %d; remove one", was)
		} else {
			tuned[t.TuneURL.Reveal()] = d.at(p).Line
		}
	}
	if a, b := d.has(p+".device"), d.has(p+".device_id"); a && !b {
		d.wrong(p+".device", "device_id is missing beside it; write the value that the device has")
	} else if b && !a {
		d.wrong(p+".device_id", "device is missing beside it; write a jq expression such as .serial")
	}
	if given("password") && !d.has(p+".user") {
		d.wrong(d.keyOf(p+".password"), "user is missing beside it; write it, or remove the password")
	}
	for i := range t.Headers {
		q := fmt.Sprintf("%s.headers[%d]", p, i)
		if !d.named(t.Headers[i], q, headerName, "the name of a header such as X-Api-Key") {
			continue
		}
		switch strings.ToLower(t.Headers[i].Name) {
		case "host", "content-length", "transfer-encoding", "connection", "accept", "user-agent":
			d.wrong(q+".name", "%s is sent as it must be; remove it", t.Headers[i].Name)
		case "authorization":
			if d.has(p + ".user") {
				d.wrong(q+".name", "user is there too; keep one of the two")
			}
		}
	}
	d.span(p+".timeout", &t.Timeout, 3*time.Second, time.Second, time.Minute)
	d.meaning(t, p)
}

// command checks a program.
func (d *decoder) command(t *Tuner, p string) {
	switch {
	case d.missing(p, "command", "command: and a list of program and arguments"):
	case len(t.Command) == 0 && !d.unread[p+".command"]:
		d.wrong(p+".command", "the list is empty; write the program, then its arguments")
	case len(t.Command) > 0 && strings.ContainsRune(t.Command[0], filepath.Separator):
		if t.Command[0] = d.resolve(t.Command[0]); !strings.ContainsRune(t.Command[0], filepath.Separator) {
			t.Command[0] = "." + string(filepath.Separator) + t.Command[0] // here, and not in PATH
		}
	}
	seen := map[string]int{}
	for i := range t.Env {
		q := fmt.Sprintf("%s.env[%d]", p, i)
		if d.named(t.Env[i], q, variableName, "the name of a variable such as TUNER_TOKEN") {
			d.unique(seen, t.Env[i].Name, q+".name")
		}
	}
	d.meaning(t, p)
}

// headerName is a token of RFC 9110, section 5.6.2.
var headerName = regexp.MustCompile("^[!#$%&'*+.^_`|~0-9A-Za-z-]{1,100}$")

var variableName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]{0,99}$`)

// named checks a name and its value, which it never shows.
func (d *decoder) named(n Named, p string, form *regexp.Regexp, want string) bool {
	if d.unread[p] || d.missing(p, "name", "name: and "+want) || d.faulty(p+".name") {
		return false
	}
	if !form.MatchString(n.Name) {
		d.wrong(p+".name", "%q cannot be one; write %s", cut(n.Name), want)
		return false
	}
	if !d.has(p + ".value_file") {
		d.missing(p, "value", "value: and what it is")
	}
	if strings.ContainsFunc(n.Value.Reveal(), func(r rune) bool { return r < ' ' || r == 0x7f }) {
		d.wrong(d.keyOf(p+".value"), "holds a line break or another control character; write it on one line")
	}
	return true
}

func (d *decoder) meaning(t *Tuner, p string) {
	if d.has(p+".step_db") && !(t.StepDB > 0) && !d.faulty(p+".step_db") {
		d.wrong(p+".step_db", "%g is no step; write one such as 0.1", t.StepDB)
	}
	d.within(p+".step_db", t.StepDB, 0, 10, " dB")
	d.within(p+".ceiling_db", t.CeilingDB, 20, 60, " dB")
}

// keyOf is the path under which a secret was given: its key, or that of its file.
func (d *decoder) keyOf(path string) string {
	if d.has(path + "_file") {
		return path + "_file"
	}
	return path
}

// expression checks a jq expression.
func (d *decoder) expression(e Expression, path, example string) {
	if !d.has(path) || d.faulty(path) {
		return
	}
	if _, err := jq.Compile(string(e)); err != nil {
		d.wrong(path, "%v; write a jq expression such as %s", err, example)
	}
}

// template checks an address without ever showing it.
func (d *decoder) template(s Secret, path string) {
	if path = d.keyOf(path); !s.Set() || d.faulty(path) {
		return
	}
	if _, err := address.Parse(s.Reveal(), address.OfVisit()); err != nil {
		d.wrong(path, "%s", err)
	}
}

// recordings checks calendars, without ever showing their addresses.
func (d *decoder) recordings(c *Config) {
	var tuners []string
	for _, t := range c.Tuners {
		tuners = append(tuners, t.Name)
	}
	seen := map[string]int{}
	for i := range c.Recordings {
		r, p := &c.Recordings[i], fmt.Sprintf("recordings[%d]", i)
		if d.unread[p] {
			continue
		}
		if !d.has(p + ".name") {
			r.Name = "recordings"
			if was, ok := seen[r.Name]; ok {
				d.wrong(p, "name is missing: %s is taken by line %d; write name: and another", r.Name, was)
			} else {
				seen[r.Name] = d.at(p).Line
			}
		} else {
			d.unique(seen, r.Name, p+".name")
			if len(r.Name) > 40 {
				d.wrong(p+".name", "is longer than 40 bytes; shorten it")
			}
		}
		hasURL := d.has(p+".url") || d.has(p+".url_file")
		switch {
		case d.has(p+".file") && hasURL:
			d.wrong(p+".file", "url is there too; keep one of the two")
		case d.has(p + ".file"):
			r.File = d.resolve(r.File)
		case !hasURL:
			d.missing(p, "file", "file: and an iCalendar file, or url: and its address")
		case r.URL.Set():
			q := d.asWritten(p + ".url")
			u, err := url.Parse(r.URL.Reveal())
			switch {
			case err != nil || u.Hostname() == "" || u.Scheme != "http" && u.Scheme != "https":
				d.wrong(q, "is no web address; write one such as https://recorder.example/planned.ics")
			case !reachable(u.Hostname()):
				d.wrong(q, "is an address that nothing of a home has; write that of the recorder")
			}
		}
		if d.has(p+".tuners") && len(r.Tuners) == 0 && !d.unread[p+".tuners"] {
			d.wrong(p+".tuners", "the list is empty; write names of tuners, or remove it for all")
		}
		for j, name := range r.Tuners {
			if q := fmt.Sprintf("%s.tuners[%d]", p, j); !slices.Contains(tuners, name) && !d.faulty(q) {
				d.wrong(q, "%q is not among the tuners; write the name of one", cut(name))
			}
		}
		d.span(p+".before", &r.Before, 5*time.Minute, 0, 2*time.Hour)
		d.span(p+".after", &r.After, 5*time.Minute, 0, 2*time.Hour)
		d.span(p+".every", &r.Every, 15*time.Minute, time.Minute, 24*time.Hour)
	}
}
