// Package drill tells tests how long they may take: whether the long fault tests are
// asked for (make drill), and how often a property is drawn.
//
// A long fault test stands in a file drill_test.go beside what it tries:
//
//	func TestDrillKillsOfALoad(t *testing.T) {
//		drill.Only(t)
//		...
//	}
//
// What takes seconds besides is left to make test by Long, or shortened for make check by Few.
//
// A package whose properties draw more or less than rapid's usual hundred sets that in
// its TestMain: flag.Set("rapid.checks", drill.Draws(2000)).
package drill

import (
	"fmt"
	"os"
	"strconv"
	"testing"
)

// The variables: Variable asks for the long fault tests where it is "1"; Times is how
// many times as often as usual a property is drawn, such as 10 or 0.1.
const (
	Variable = "PLUMBLINE_DRILL"
	Times    = "PLUMBLINE_DRAWS"
)

// Only skips a test that is not asked for.
func Only(tb testing.TB) {
	tb.Helper()
	if os.Getenv(Variable) != "1" {
		tb.Skipf("a long fault test: run `make drill`, or set %s=1", Variable)
	}
}

// Long skips a test of seconds where `go test -short` asks for what is quick (make check).
func Long(tb testing.TB) {
	tb.Helper()
	if testing.Short() {
		tb.Skip("takes seconds: left to make test")
	}
}

// Few is the whole of a table, and the first n of it under `go test -short` (make check).
func Few[T any](n int, all []T) []T {
	if testing.Short() {
		return all[:min(n, len(all))]
	}
	return all
}

// Draws is how often a property is drawn, as rapid.checks takes it: the usual number
// times that of the variable, one at least. (go test -short draws a fifth of it.)
func Draws(usual int) string {
	times := 1.0
	if set := os.Getenv(Times); set != "" {
		var err error
		if times, err = strconv.ParseFloat(set, 64); err != nil || times <= 0 {
			panic(fmt.Sprintf("%s is %q; give a number above 0, such as 10", Times, set))
		}
	}
	return strconv.Itoa(max(1, int(float64(usual)*times)))
}
