package store

import (
	"flag"
	"os"
	"os/exec"
	"testing"
	"time"
	_ "time/tzdata"
)

// The tests run far from UTC, in a zone of odd minutes: what leaves the zone to
// the machine shows. TZ, where it is set, names another.
func TestMain(m *testing.M) {
	if os.Getenv("TZ") == "" {
		zone, err := time.LoadLocation("Pacific/Chatham")
		if err != nil {
			panic(err)
		}
		time.Local = zone
	}
	// What failed is printed with its seed: no files in the source tree.
	if err := flag.Set("rapid.nofailfile", "true"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}

func TestTimesHoldWestOfGreenwichToo(t *testing.T) {
	self, err := os.Executable()
	must(t, err)
	c := exec.CommandContext(t.Context(), self, "-test.run=^(TestEveryKindComesBackAsItWas|TestCandidates|TestFilesAre)")
	c.Env = append(os.Environ(), "TZ=America/St_Johns")
	if out, err := c.CombinedOutput(); err != nil {
		t.Errorf("under TZ=America/St_Johns: %v\n%s", err, out)
	}
}
