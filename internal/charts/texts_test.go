package charts

import (
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"
)

// What a script draws or reads out holds its text from right to left between marks, wherever
// in the options it stands; a sentence of thousands of characters is cut.
func TestTextsOfDrawingsAreIsolated(t *testing.T) {
	d := Data{
		Panels: map[string]any{"dose": map[string]any{
			"series": []any{map[string]any{"data": []any{map[string]any{"label": map[string]any{"formatter": "P7 \u05d0\u05d1 86"}}}}},
			"yAxis":  []any{map[string]any{"data": []string{"\u05d0\u05d1"}, "max": 3.5}},
		}},
		Readout: Readout{
			Marks: []At{{1, "\u05d0\u05d1\u202e raised"}, {2, strings.Repeat("\u05d0", 3000)}}, Spans: []Until{{1, 2, "\u05d0"}},
		},
	}
	d.holdTexts()
	body, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"P7 \u2068\u05d0\u05d1\u2069 86", "[\"\u2068\u05d0\u05d1\u2069\"]", "\u2068\u05d0\u05d1\u2069 raised", `"max":3.5`} {
		if !strings.Contains(string(body), want) {
			t.Errorf("the drawing does not say %q: %s", want, body)
		}
	}
	if strings.Contains(string(body), "\u202e") {
		t.Error("a character that turns what follows is drawn")
	}
	if n := utf8.RuneCountInString(d.Readout.Marks[1].Text); n > longReadout+2 {
		t.Errorf("a readout has %d characters", n)
	}
}
