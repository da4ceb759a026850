package drill_test

import (
	"testing"

	"plumbline/internal/drill"
)

func TestALongTestRunsOnlyWhereItIsAskedFor(t *testing.T) {
	for value, want := range map[string]bool{"": true, "0": true, "1": false} {
		t.Run("as "+value, func(t *testing.T) {
			var inner *testing.T
			t.Setenv(drill.Variable, value)
			t.Run("long", func(t *testing.T) { inner = t; drill.Only(t) })
			if inner.Skipped() != want {
				t.Errorf("%s=%q: skipped %v, want %v", drill.Variable, value, inner.Skipped(), want)
			}
		})
	}
}

func TestDraws(t *testing.T) {
	for times, want := range map[string]string{"": "2000", "1": "2000", "10": "20000", "0.1": "200", "0.0001": "1"} {
		t.Setenv(drill.Times, times)
		if got := drill.Draws(2000); got != want {
			t.Errorf("%s=%q: %s draws, want %s", drill.Times, times, got, want)
		}
	}
	t.Setenv(drill.Times, "often")
	defer func() {
		if recover() == nil {
			t.Error("a word is taken for a number")
		}
	}()
	drill.Draws(1)
}
