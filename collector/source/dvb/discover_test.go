//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"

	"golang.org/x/sys/unix"

	"holdfast/analysis/reception"
)

// plant writes files below a root that stands for /; a value that begins with -> is a
// link.
func plant(t *testing.T, files map[string]string) (root string) {
	t.Helper()
	root = t.TempDir()
	for name, text := range files {
		p := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if to, ok := strings.CutPrefix(text, "->"); ok {
			err = os.Symlink(to, p)
		} else {
			err = os.WriteFile(p, []byte(text), 0o660)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return root
}

func look(t *testing.T, k kernel, files map[string]string) Discovery {
	t.Helper()
	d, err := discover(t.Context(), k, plant(t, files))
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestDiscoverAUsableTuner(t *testing.T) {
	k, fe := oneTuner(t)
	fe.low, fe.high = 54e6, 860e6
	fe.name = "Samsung S5H1411 QAM/8VSB Frontend"
	d := look(t, k, nil)
	if len(d.Tuners) != 1 || len(d.Problems) != 0 {
		t.Fatalf("discovery %+v, want one tuner and no problem", d)
	}
	f := d.Tuners[0]
	if f.State != StateUsable || f.Remedy != "" || f.Err != nil || !f.Known || f.LowHz != 54e6 || f.HighHz != 860e6 ||
		f.Path != "/sys/devices/usb1/1-2" || f.Serial != "0042" || fmt.Sprint(f.Receives) != "[atsc1 dvbt dvbt2 isdbt]" {
		t.Errorf("found %+v", f)
	}
	if o := f.Options(); o.Name != fe.name || o.Path != fe.path {
		t.Errorf("options %+v do not say which tuner", o)
	}
	if want := "adapter 0 frontend 0, Samsung S5H1411 QAM/8VSB Frontend (atsc1, dvbt, dvbt2, isdbt): usable"; f.String() != want {
		t.Errorf("%q, want %q", f, want)
	}
	if len(k.fd) != 0 || fe.tuned != 0 {
		t.Errorf("%v after discovery, tuned to %d; want it left alone", k, fe.tuned)
	}
}

// Each state with what the kernel does in it and what is said to people.
func TestDiscoverStates(t *testing.T) {
	held := map[string]string{
		"proc/77/fd/5": "->/dev/dvb/adapter0/frontend0", "proc/77/fdinfo/5": "pos:\t0\nflags:\t0100002\n", "proc/77/comm": "viewer\n",
		// a reader has the tuner from nobody
		"proc/78/fd/5": "->/dev/dvb/adapter0/frontend0", "proc/78/fdinfo/5": "pos:\t0\nflags:\t0100000\n", "proc/78/comm": "meter\n",
		"proc/79/fd/5": "->/dev/dvb/adapter0/demux0", "proc/79/fdinfo/5": "flags:\t02\n", "proc/79/comm": "other\n",
	}
	for _, c := range []struct {
		what   string
		play   func(k *fake, fe *fakeFE)
		files  map[string]string
		state  State
		remedy string
		opened int
	}{
		{"held, and seen", func(_ *fake, fe *fakeFE) { fe.owner = &fakeFile{} }, held, StateInUse, "stop viewer (process 77)", 1},
		{"held, holder not seen", func(_ *fake, fe *fakeFE) { fe.owner = &fakeFile{} }, nil, StateInUse, "as root holdfast could say", 1},
		{"no rights", func(_ *fake, fe *fakeFE) { fe.openErr = unix.EACCES }, nil, StateForbidden, "right to read and write /dev/dvb/adapter0/frontend0", 0},
		{"satellite", func(_ *fake, fe *fakeFE) { fe.systems = []byte{5, 6} }, nil, StateUnfit, "cable and satellite", 1},
		{"broken", func(_ *fake, fe *fakeFE) { fe.openErr = unix.EREMOTEIO }, nil, StateFailing, "dmesg", 0},
		{"pulled out", func(_ *fake, fe *fakeFE) { fe.gone = true }, nil, StateFailing, "plug it in again", 1},
	} {
		t.Run(c.what, func(t *testing.T) {
			k, fe := oneTuner(t)
			c.play(k, fe)
			d := look(t, k, c.files)
			if len(d.Tuners) != 1 {
				t.Fatalf("discovery %+v", d)
			}
			f := d.Tuners[0]
			if f.State != c.state || !strings.Contains(f.Remedy, c.remedy) || fe.opened != c.opened {
				t.Errorf("state %q, remedy %q, opened %d times; want %q, %q, %d", f.State, f.Remedy, fe.opened, c.state, c.remedy, c.opened)
			}
			if strings.Contains(f.String(), "\n") {
				t.Errorf("more than one line: %q", f)
			}
			if len(k.fd) != 0 {
				t.Errorf("%v left open", k)
			}
		})
	}
}

// The device's group is the remedy, by its name in /etc/group.
func TestDiscoverNamesTheGroup(t *testing.T) {
	gid := os.Getgid()
	if gid == 0 {
		gid = 4242
	}
	root := plant(t, map[string]string{"dev/dvb/adapter0/frontend0": "", "etc/group": fmt.Sprintf("root:x:0:\nvideo:x:%d:somebody\n", gid)})
	node := filepath.Join(root, anyNode)
	if err := errors.Join(os.Chmod(node, 0o660), os.Chown(node, -1, gid)); err != nil {
		t.Fatal(err)
	}
	k, fe := oneTuner(t)
	fe.openErr = unix.EACCES
	d, err := discover(t.Context(), k, root)
	if err != nil || len(d.Tuners) != 1 || !strings.Contains(d.Tuners[0].Remedy, "to the group video (usermod -aG video NAME") {
		t.Errorf("discovery %+v, %v; want the group named", d, err)
	}
}

func TestDiscoverSaysWhatIsMissing(t *testing.T) {
	const missing = "3,1044,7402517,-;si2168 8-0064: Direct firmware load for dvb-demod-si2168-b40-01.fw failed with error -2\n" +
		"3,1045,7402518,-;iwlwifi 0000:00: Direct firmware load for iwlwifi-1.ucode failed with error -2\n"
	for _, c := range []struct {
		what         string
		files        map[string]string
		says, remedy string
	}{
		{"nothing", nil, "there is no /dev/dvb", "plug the tuner in"},
		{"no node", map[string]string{"sys/class/dvb/dvb0.frontend0/dev": "212:0"}, "no /dev/dvb here", "in a container"},
		{"no frontend", map[string]string{"dev/dvb/adapter0/demux0": ""}, "no frontend in it", "dmesg"},
		{"driver alone", map[string]string{"sys/module/dvb_core/refcnt": "1"}, "driver is loaded", "plug the tuner in"},
	} {
		d := look(t, newFake(t, nil), c.files)
		if len(d.Problems) != 1 || !strings.Contains(d.Problems[0].What, c.says) || !strings.Contains(d.Problems[0].Remedy, c.remedy) {
			t.Errorf("%s: problems %q, want %q and %q", c.what, d.Problems, c.says, c.remedy)
		}
	}
	k, _ := oneTuner(t)
	d := look(t, k, map[string]string{
		"dev/kmsg":                               missing + missing,
		"sys/bus/usb/devices/1-4/product":        "Example DVB-T Stick\n",
		"sys/bus/usb/devices/1-5/product":        "Example TV Stick\n",
		"sys/bus/usb/devices/1-5:1.0/x":          "",
		"sys/bus/usb/devices/1-5/1-5:1.0/driver": "->/sys/bus/usb/drivers/x",
		"sys/bus/usb/devices/1-6/product":        "Keyboard\n",
	})
	if len(d.Problems) != 2 || !strings.Contains(d.Problems[0].What, `"Example DVB-T Stick"`) || !strings.Contains(d.Problems[1].What, "dvb-demod-si2168-b40-01.fw") {
		t.Errorf("problems %q, want the stick without a driver and the firmware, each once", d.Problems)
	}
}

// A frontend that blocks is left alone, and the others are described.
func TestDiscoverLeavesAHungOneBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k, _ := oneTuner(t)
		k.fe["/dev/dvb/adapter1/frontend0"] = &fakeFE{name: "Other", systems: []byte{11}}
		slow := &slowOpen{fake: k, node: anyNode, until: make(chan struct{})}
		d, err := discover(t.Context(), slow, t.TempDir())
		if err != nil || len(d.Tuners) != 2 || d.Tuners[0].State != StateHung || d.Tuners[1].State != StateUsable {
			t.Errorf("discovery %+v, %v; want the first hung and the second usable", d, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := discover(ctx, slow, t.TempDir()); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled discovery: %v", err)
		}
		close(slow.until)
		synctest.Wait()
		if len(k.fd) != 0 {
			t.Errorf("%v after the device answered", k)
		}
	})
}

type slowOpen struct {
	*fake
	node  string
	until chan struct{}
}

func (s *slowOpen) open(path string, flags int) (int, error) {
	if path == s.node {
		<-s.until
	}
	return s.fake.open(path, flags)
}

func TestRaster(t *testing.T) {
	for _, c := range []struct {
		region reception.Region
		n      int
		first  reception.Channel
	}{
		// 47 CFR 73.603(a): 57 MHz is the centre of channel 2; 35 channels to 36 since 2020
		{reception.RegionUS, 35, reception.Channel{FrequencyHz: 57e6, RF: 2, System: reception.ATSC1, BandwidthHz: 6e6, Wanted: true}},
		{reception.RegionEurope, 72, reception.Channel{FrequencyHz: 177.5e6, RF: 5, System: reception.DVBT2, BandwidthHz: 7e6, Wanted: true}},
		{reception.RegionJapan, 40, reception.Channel{FrequencyHz: 473142857, RF: 13, System: reception.ISDBT, BandwidthHz: 6e6, Wanted: true}},
	} {
		got := Raster(c.region, nil)
		if len(got) != c.n || got[0] != c.first {
			t.Errorf("%s: %d channels, first %+v; want %d, %+v", c.region, len(got), got[0], c.n, c.first)
		}
	}
	if got := Raster(reception.RegionEurope, []reception.System{reception.DVBT}); len(got) != 36 || got[35].System != reception.DVBT || got[35].FrequencyHz != 690e6 {
		t.Errorf("DVB-T alone: %d channels, last %+v; want 36, the last at 690 MHz", len(got), got[35])
	}
}
