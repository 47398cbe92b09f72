//go:build unix

package embedded

import (
	"fmt"
	"os"
	"strconv"
	"testing"
)

// childEnv names the directory for which this test program is a child that another
// test started, and will kill.
const childEnv = "EMBEDDED_TEST_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		err := error(nil)
		if state, serr := strconv.Atoi(os.Getenv(stateEnv)); serr == nil {
			err = sealingChild(dir, moment(state))
		} else {
			err = child(dir)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}
