package configs

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gopkg.in/yaml.v3"
)

const hush = "swordfish-9"

func TestSecretsHide(t *testing.T) {
	s := NewSecret(hush)
	in := struct {
		S Secret
		P *Secret
		M map[string]Secret
	}{s, &s, map[string]Secret{"a": s}}
	var out bytes.Buffer
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%d", "%T", "%08.3f"} {
		fmt.Fprintf(&out, verb+" "+verb+"\n", s, in)
	}
	j, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	y, err := yaml.Marshal(struct{ S Secret }{s})
	if err != nil {
		t.Fatal(err)
	}
	out.Write(j)
	out.Write(y)
	slog.New(slog.NewTextHandler(&out, nil)).Info("x", "s", s, "in", in)
	slog.New(slog.NewJSONHandler(&out, nil)).Info("x", "s", s, "in", in)
	fmt.Fprintln(&out, s, fmt.Errorf("with %v", s))
	if strings.Contains(out.String(), hush) || strings.Contains(out.String(), fmt.Sprintf("%x", hush)) {
		t.Errorf("the secret shows:\n%s", out.String())
	}
	if s.Reveal() != hush || !s.Set() || (Secret{}).Set() || (Secret{}).String() != "(not set)" {
		t.Error("a secret does not know its value")
	}
}

func TestSecretFromEnvironment(t *testing.T) {
	t.Setenv("HUSH", hush)
	text := head + "weather: [{kind: metar, url: 'https://w.example/?k=${env:HUSH}'}]\n"
	c, err := Parse("h.yaml", []byte(text))
	if err != nil || c.Weather[0].URL.Reveal() != "https://w.example/?k="+hush {
		t.Errorf("url %q, %v", c.Weather[0].URL.Reveal(), err)
	}
	if all := fmt.Sprintf("%v %+v %#v", c, c, &c); strings.Contains(all, hush) {
		t.Errorf("the secret shows in the config: %s", all)
	}
	t.Setenv("HUSH", "")
	for _, x := range []struct{ url, want string }{
		{"${env:HUSH}", "h.yaml:3:30: weather[0].url: environment variable HUSH is not set; set it before the start, or use url_file"},
		{"${HUSH}", "h.yaml:3:30: weather[0].url: a reference in it is not understood; write ${env:NAME} with the name of a variable"},
	} {
		got := faults(t, head+"weather: [{kind: metar, url: '"+x.url+"'}]\n").Error()
		if got != x.want {
			t.Errorf("got %s, want %s", got, x.want)
		}
	}
}

func TestSecretFromFile(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "h.yaml")
	parse := func(body string) (Config, error) {
		return Parse(name, []byte(head+"weather: [{kind: metar, "+body+"}]\n"))
	}
	write := func(text string, mode os.FileMode) {
		t.Helper()
		p := filepath.Join(dir, "key")
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(p, mode); err != nil {
			t.Fatal(err)
		}
	}
	write("https://w.example/?k="+hush+"\n", 0o640)
	c, err := parse("url_file: key")
	if err != nil || c.Weather[0].URL.Reveal() != "https://w.example/?k="+hush || len(c.Warnings) != 0 {
		t.Errorf("url %q, %v, %v", c.Weather[0].URL.Reveal(), c.Warnings, err)
	}
	write("https://w.example/?k="+hush, 0o644)
	c, err = parse("url_file: key")
	if err != nil || len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0], "everybody on this machine can read "+filepath.Join(dir, "key")+" (mode 0644); run chmod 600 on it") {
		t.Errorf("warnings %q, %v", c.Warnings, err)
	}
	for _, x := range []struct {
		name, text string
		mode       os.FileMode
		body, want string
	}{
		{"others can write", hush, 0o666, "url_file: key", "h.yaml:3:35: weather[0].url_file: others can write " + filepath.Join(dir, "key") + " (mode 0666)"},
		{"the group can write", hush, 0o620, "url_file: key", "others can write"},
		{"empty", "\n", 0o600, "url_file: key", "is empty; write the secret into it"},
		{"two lines", hush + "\nmore\n", 0o600, "url_file: key", "holds more than one line"},
		{"endless", strings.Repeat("x", maxSecret+1), 0o600, "url_file: key", "is longer than 64 KiB"},
		{"not there", hush, 0o600, "url_file: nokey", "no such file or directory"},
		{"a folder", hush, 0o600, "url_file: .", "is no ordinary file"},
		{"both", hush, 0o600, "url: 'https://" + hush + ".example', url_file: key", "weather[0].url_file: url is there too; keep one of the two"},
		{"both, the other way", hush, 0o600, "url_file: key, url: 'https://" + hush + ".example'", "weather[0].url: url_file is there too; keep one of the two"},
		{"no address", hush, 0o600, "url_file: key", "weather[0].url_file: is no address; write one such as https://weather.example/report.txt"},
		{"no address at all", hush, 0o600, "url: '" + hush + " %zz'", "weather[0].url: is no address"},
		{"list", hush, 0o600, "url: [" + hush + "]", "want one line of text"},
	} {
		t.Run(x.name, func(t *testing.T) {
			write(x.text, x.mode)
			_, err := parse(x.body)
			if err == nil || !strings.Contains(err.Error(), x.want) {
				t.Fatalf("got %v, want %s", err, x.want)
			}
			if strings.Contains(err.Error(), hush) {
				t.Errorf("the secret shows: %v", err)
			}
		})
	}
}
