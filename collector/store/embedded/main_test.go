//go:build unix

package embedded

import (
	"fmt"
	"os"
	"testing"
)

// childEnv names the directory for which this test program is a child that another
// test started, and will kill.
const childEnv = "EMBEDDED_TEST_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		if err := child(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}
