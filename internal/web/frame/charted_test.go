package frame

import (
	"strings"
	"testing"
)

// What is written from right to left is isolated, and nothing else is touched. The order
// of the Unicode Bidirectional Algorithm (UAX 9) moves a figure that follows such a text
// to its left unless it is.
func TestTextOfFeedsIsIsolatedAndBreakable(t *testing.T) {
	long := strings.Repeat("x", 3000)
	for page, want := range map[string]string{
		`<p class="a">P7 Ann, 86</p>`:              `<p class="a">P7 Ann, 86</p>`,
		`<p>P7 אבג 86</p>`:                         `<p>P7 <bdi>אבג</bdi> 86</p>`,
		`<p>on אבג דה 5 mg and שלום at 3</p>`:      `<p>on <bdi>אבג דה</bdi> 5 mg and <bdi>שלום</bdi> at 3</p>`,
		`<p>محمد 12 أحمد, 3 h</p>`:                 `<p><bdi>محمد 12 أحمد</bdi>, 3 h</p>`,
		"<p>P\u202e789 later</p>":                  "<p>P<bdi>\u202e</bdi>789 later</p>",
		`<p><bdi>אבג</bdi> אבג</p>`:                `<p><bdi>אבג</bdi> <bdi>אבג</bdi></p>`,
		`<title>אבג</title><option>אבג</option>`:   `<title>אבג</title><option>אבג</option>`,
		`<script>var a = "<אבג";</script><b>é</b>`: `<script>var a = "<אבג";</script><b>é</b>`,
		`<i title="אבג > x">a</i>`:                 `<i title="אבג > x">a</i>`,
		`<td>` + long + `</td>`:                    `<td><span class="charted"><span class="endless">` + long + `</span></span></td>`,
		`<td>of ` + long + ` and</td>`:             `<td><span class="charted">of <span class="endless">` + long + `</span> and</span></td>`,
		// A name of three lines is whole.
		`<td>` + long[:300] + `</td>`: `<td><span class="charted">` + long[:300] + `</span></td>`,
		`no tag at all`:               `no tag at all`,
	} {
		if got := string(settle([]byte(page))); got != want {
			t.Errorf("%.80s\nbecomes %.120s\nwant    %.120s", page, got, want)
		}
	}
	words := strings.Repeat("long name ", 100)
	if got := string(settle([]byte("<td>" + words + "</td>"))); !strings.Contains(got, `"charted"`) {
		t.Error("a text of many words cannot wrap where others do not")
	}
}
