package configs

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"gopkg.in/yaml.v3"
)

// A Secret is a value that is never printed: however it is formatted, logged or
// written, it says that it is hidden, or not set.
type Secret struct{ value string }

// NewSecret makes a secret of a value.
func NewSecret(value string) Secret { return Secret{value} }

// Reveal returns the value, for the one place that uses it.
func (s Secret) Reveal() string { return s.value }

// Set reports whether there is a value.
func (s Secret) Set() bool { return s.value != "" }

func (s Secret) String() string {
	if s.value == "" {
		return "(not set)"
	}
	return "(hidden)"
}

// GoString hides the value from %#v.
func (s Secret) GoString() string { return s.String() }

// Format hides the value from every other verb.
func (s Secret) Format(f fmt.State, _ rune) { io.WriteString(f, s.String()) }

// LogValue hides the value from logs.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalText hides the value from encoders.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// MarshalJSON hides the value from JSON.
func (s Secret) MarshalJSON() ([]byte, error) { return []byte(`"` + s.String() + `"`), nil }

// MarshalYAML hides the value from YAML.
func (s Secret) MarshalYAML() (any, error) { return s.String(), nil }

var (
	refForm = regexp.MustCompile(`\$\{([^}]*)\}`)
	envName = regexp.MustCompile(`^env:([A-Za-z_][A-Za-z0-9_]*)$`)
)

// secret reads a secret written in the file. Faults never show it.
func (d *decoder) secret(n *yaml.Node, s *Secret, path string) {
	if n.Kind != yaml.ScalarNode || n.Tag == "!!null" {
		d.fault(n, path, "want one line of text, or ${env:NAME}")
		return
	}
	s.value = refForm.ReplaceAllStringFunc(n.Value, func(ref string) string {
		m := envName.FindStringSubmatch(ref[2 : len(ref)-1])
		if m == nil {
			d.fault(n, path, "a reference in it is not understood; write ${env:NAME} with the name of a variable")
			return ""
		}
		v, ok := d.env(m[1])
		if !ok || v == "" {
			d.fault(n, path, "environment variable %s is not set; set it before the start, or use %s_file", m[1], last(path))
		}
		return v
	})
}

// maxSecret is more than any password or address needs.
const maxSecret = 64 << 10

// secretFile reads a secret from the file that a key ending in _file names.
func (d *decoder) secretFile(n *yaml.Node, s *Secret, path string) {
	var name string
	d.text(n, &name, path)
	if name == "" {
		return
	}
	name = d.resolve(name)
	f, err := os.Open(name)
	if err != nil {
		d.fault(n, path, "%v; name a file that holds nothing but the secret", plainPathError(err))
		return
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		d.fault(n, path, "%v; name a file that holds nothing but the secret", plainPathError(err))
		return
	case !info.Mode().IsRegular():
		d.fault(n, path, "%s is no ordinary file; name a file that holds nothing but the secret", name)
		return
	case info.Mode().Perm()&0o022 != 0:
		d.fault(n, path, "others can write %s (mode %04o): its secret may be anybody's; run chmod 600 on it", name, info.Mode().Perm())
		return
	case info.Mode().Perm()&0o004 != 0:
		d.warn(n, path, "everybody on this machine can read %s (mode %04o); run chmod 600 on it", name, info.Mode().Perm())
	}
	b, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	v := strings.TrimRight(string(b), "\r\n")
	switch {
	case err != nil:
		d.fault(n, path, "%v; name a file that holds nothing but the secret", plainPathError(err))
	case len(b) > maxSecret:
		d.fault(n, path, "%s is longer than 64 KiB; name a file that holds nothing but the secret", name)
	case v == "":
		d.fault(n, path, "%s is empty; write the secret into it", name)
	case strings.ContainsAny(v, "\r\n\x00"):
		d.fault(n, path, "%s holds more than one line; name a file that holds nothing but the secret", name)
	default:
		s.value = v
	}
}

// plainPathError keeps what went wrong with which file.
func plainPathError(err error) string {
	return strings.TrimPrefix(strings.TrimPrefix(err.Error(), "open "), "read ")
}

// resolve makes a path of the config relative to the config's folder.
func (d *decoder) resolve(path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(d.dir, path)
}

func last(path string) string { return path[strings.LastIndexByte(path, '.')+1:] }
