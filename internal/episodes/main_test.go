package episodes_test

import (
	"flag"
	"os"
	"testing"

	"plumbline/internal/drill"
)

// What failed is printed with its seed: no files in the source tree.
func TestMain(m *testing.M) {
	set("rapid.nofailfile", "true")
	set("rapid.checks", drill.Draws(2000)) // random histories; a number on the command line counts more
	os.Exit(m.Run())
}

func set(name, value string) {
	if err := flag.Set(name, value); err != nil {
		panic(err)
	}
}
