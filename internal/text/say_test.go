package text_test

import (
	"testing"

	"plumbline/internal/text"
)

func TestSayPutsArgumentsInTheirPlaces(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{text.Say("frame.skip"), "Skip to content"},
		{text.Say("frame.zone", "Europe/London"), "Times are in Europe/London."},
		{text.Say("frame.no-such-key", 3), "[frame.no-such-key]"},
	} {
		if c.got != c.want {
			t.Errorf("said %q, want %q", c.got, c.want)
		}
	}
}
