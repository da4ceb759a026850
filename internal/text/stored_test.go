package text

import (
	"bufio"
	"encoding/json"
	"os"
	"testing"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// testdata/stored.jsonl was written by the program as it was before its figures had types
// (November 2026): figures as an episode kept them, drawn at random by rule, and what it
// said of them at noon. What was kept says the same for good, but where its words were
// not true or left out a figure that was kept: what a set that sat up did (T-POSITIVE), the
// figures of T-GAP, a drop beside symptoms (T-SYMPTOMS), a fall in pressure that nobody
// measured (R-POSITIVE), how many flags ask for a review and not merely stand (T-REVIEW),
// and where a sentence was reworded to be read once (December 2026). What was not kept then
// is told of new ones alone.
func TestWhatWasKeptBeforeFiguresHadTypesSaysTheSame(t *testing.T) {
	file, err := os.Open("testdata/stored.jsonl")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	seen := map[string]int{}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		var kept struct {
			Rule              string
			Figures           json.RawMessage
			Says, Brief, Lead string
		}
		if err := json.Unmarshal(lines.Bytes(), &kept); err != nil {
			t.Fatal(err)
		}
		figures, err := records.ReadFigures(episodes.KeptRules, kept.Rule, kept.Figures)
		if err != nil {
			t.Fatal(err)
		}
		c := catalogue()
		if got := c.EpisodeWhy(kept.Rule, figures); got != kept.Says {
			t.Errorf("%s %s\n got %s\nwant %s", kept.Rule, kept.Figures, got, kept.Says)
		}
		reason := alerts.Reason{Rule: kept.Rule, Figures: figures}
		if got := c.Brief(reason); got != kept.Brief {
			t.Errorf("%s %s, in brief\n got %s\nwant %s", kept.Rule, kept.Figures, got, kept.Brief)
		}
		if got := c.LeadBrief(reason); kept.Lead != "" && got != kept.Lead {
			t.Errorf("%s %s, on paper\n got %s\nwant %s", kept.Rule, kept.Figures, got, kept.Lead)
		}
		seen[kept.Rule]++
	}
	if len(seen) != 30 {
		t.Errorf("of %d rules examples were kept, want 30", len(seen))
	}
}
