// Package zones loads time zones from a copy of the IANA time zone database inside the
// program, and from nowhere else: days, nights and evenings of a home must not move
// with the age of a system's zone files.
//
// zoneinfo.zip and edition.txt come from the Go distribution (lib/time), which makes
// them from the database of https://www.iana.org/time-zones; it is in the public domain.
// A newer Go brings newer ones; go generate takes them over.
package zones

//go:generate sh -c "cp $(go env GOROOT)/lib/time/zoneinfo.zip . && sed -n 's/^CODE=//p' $(go env GOROOT)/lib/time/update.bash > edition.txt"

import (
	"archive/zip"
	_ "embed"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

//go:embed zoneinfo.zip
var zoneinfo string

//go:embed edition.txt
var edition string

// Edition is the release of the time zone database, such as "2025c".
func Edition() string { return strings.TrimSpace(edition) }

var files = sync.OnceValues(func() (*zip.Reader, error) {
	return zip.NewReader(strings.NewReader(zoneinfo), int64(len(zoneinfo)))
})

// Load returns the zone with an IANA name, such as America/New_York. An empty name is
// UTC. The zone of the machine has no name here. It may be called concurrently.
func Load(name string) (*time.Location, error) {
	if name == "" || name == "UTC" {
		return time.UTC, nil
	}
	r, err := files()
	if err != nil {
		return nil, fmt.Errorf("open the time zone data in the program: %w", err)
	}
	for _, f := range r.File {
		if f.Name != name || f.FileInfo().IsDir() {
			continue
		}
		c, err := f.Open()
		if err != nil {
			return nil, fmt.Errorf("read time zone %s: %w", name, err)
		}
		defer c.Close()
		data, err := io.ReadAll(c)
		if err != nil {
			return nil, fmt.Errorf("read time zone %s: %w", name, err)
		}
		return time.LoadLocationFromTZData(name, data)
	}
	return nil, fmt.Errorf("unknown time zone %q; names are those of the IANA database, such as America/New_York", name)
}
