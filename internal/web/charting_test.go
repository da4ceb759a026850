package web_test

import (
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/web/webtest"
)

// What is charted on a page is a fact of the stay at once, and counts once however often
// its form is sent (R-ANSWER, and the limbs that must not be measured).
func TestWhatIsChartedOnAPageCountsOnce(t *testing.T) {
	d, _ := open(t)
	c := bedside.Charting{ID: bedside.NewID(), StayID: "S108", Who: "nurse", At: d.Clock(), Entries: []bedside.Entry{
		{Kind: clinical.KindRestriction, Cells: map[string]string{"limb": "right arm", "reason": "fistula"}},
		{Kind: clinical.KindPrecaution, Cells: map[string]string{"precaution": "floor mat"}},
	}}
	for range 2 {
		if err := d.Sets.Chart(t.Context(), "4W", c); err != nil {
			t.Fatal(err)
		}
	}
	view, err := d.Answers.Stay(t.Context(), "S108", d.Clock())
	if err != nil {
		t.Fatal(err)
	}
	held := view.Assessment.Restrictions()
	if len(held) != 1 || held[0].Limb != "right arm" || len(d.Sets.(*webtest.Sets).All()) != 2 {
		t.Errorf("restrictions %+v, facts %+v", held, d.Sets.(*webtest.Sets).All())
	}
	c.Entries = c.Entries[:1]
	if err := d.Sets.Chart(t.Context(), "4W", c); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("other content under one id: %v", err)
	}
	if _, err := d.Sets.Kept(t.Context(), "S108", c.ID); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("what was charted is taken for a set: %v", err)
	}
}
