package charts_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/charts"
	"plumbline/internal/demo"
	"plumbline/internal/policy"
	"plumbline/internal/testdb/teststore"
)

func of(t *testing.T, zone *time.Location, stay string) charts.StayCharts {
	t.Helper()
	board := &assess.Service{Store: teststore.Demo(t), Policy: policy.Default(), Zone: zone}
	view, err := board.Stay(context.Background(), stay, demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	return charts.Of(view, view.Policy.Policy, board.Catalogue(demo.AnchorTime()))
}

func panel(t *testing.T, b charts.StayCharts, id string) charts.Panel {
	t.Helper()
	for _, p := range b.Panels {
		if p.ID == id {
			return p
		}
	}
	t.Fatalf("no panel %s", id)
	return charts.Panel{}
}

func TestEveryStoryHasItsCharts(t *testing.T) {
	for _, s := range demo.Stories() {
		b := of(t, time.UTC, s.StayID)
		if len(b.Panels) < 7 { // pressure, drop, dose, lanes, fluid, weight, precaution
			t.Fatalf("%s: %d panels, want 7 or more", s.StayID, len(b.Panels))
		}
		for _, p := range b.Panels {
			_, drawn := b.Data.Panels[p.ID]
			if drawn == (p.Empty != "") {
				t.Errorf("%s %s: drawn %v, empty %q", s.StayID, p.ID, drawn, p.Empty)
			}
			if drawn && len(p.Table.Rows) == 0 {
				t.Errorf("%s %s: a chart without its table", s.StayID, p.ID)
			}
		}
		if _, err := json.Marshal(b.Data); err != nil {
			t.Errorf("%s: %v", s.StayID, err)
		}
	}
}

func TestOptionsKeepTheirTraps(t *testing.T) {
	b := of(t, time.UTC, "S108")
	for id, o := range b.Data.Panels {
		m := o.(map[string]any)
		for _, axis := range []string{"xAxis", "yAxis"} {
			for _, one := range m[axis].([]any) {
				if one.(map[string]any)["containShape"] != false {
					t.Errorf("%s: containShape is on, so that bars shift the panel", id)
				}
			}
		}
		x := m["xAxis"].([]any)[0].(map[string]any)
		if int64(x["min"].(float64)) != b.Data.From || int64(x["max"].(float64)) != b.Data.To {
			t.Errorf("%s: its time axis is its own", id)
		}
		raw, err := json.Marshal(o)
		if err != nil {
			t.Fatal(err)
		}
		for _, banned := range []string{"function", "<", "style="} {
			if strings.Contains(string(raw), banned) {
				t.Errorf("%s: options hold %q", id, banned)
			}
		}
	}
}

func TestUnknownAndIncompleteAreSaid(t *testing.T) {
	p := panel(t, of(t, time.UTC, "S202"), "dose")
	if s := strings.Join(p.Notes, " "); !strings.Contains(s, "not known") {
		t.Errorf("an amount that is not known is not said: %q", s)
	}
	p = panel(t, of(t, time.UTC, "S113"), "fluid")
	if s := strings.Join(p.Notes, " "); !strings.Contains(s, "Incomplete: 3 of 7 shifts") || !strings.Contains(s, "No entry at all: 2 of 7") {
		t.Errorf("incomplete shifts are not said: %q", s)
	}
}

func TestMidnightsAreTheSites(t *testing.T) {
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	b := of(t, zone, "S108")
	if len(b.Data.Midnights) < 6 || b.Data.Zone != zone.String() {
		t.Fatalf("%d midnights in %s", len(b.Data.Midnights), b.Data.Zone)
	}
	for _, m := range b.Data.Midnights {
		if at := time.UnixMilli(m).In(zone); at.Hour() != 0 || at.Minute() != 0 {
			t.Errorf("%v is no midnight", at)
		}
	}
}

// The drop stands over the doses on one axis; each dose record of the table is a mark, and
// each laboratory value of a panel a point.
func TestTheDropStandsOverEachDose(t *testing.T) {
	board := &assess.Service{Store: teststore.Demo(t), Policy: policy.Default(), Zone: time.UTC}
	for _, s := range demo.Stories() {
		view, err := board.Stay(context.Background(), s.StayID, demo.AnchorTime())
		if err != nil {
			t.Fatal(err)
		}
		b := charts.OfDoses(view, view.Policy.Policy, board.Catalogue(demo.AnchorTime()))
		if b.Panels[0].ID != "drop" || b.Panels[1].ID != "lanes" {
			t.Fatalf("%s: the panels begin with %s, %s", s.StayID, b.Panels[0].ID, b.Panels[1].ID)
		}
		for _, p := range b.Panels[1:] {
			if _, drawn := b.Data.Panels[p.ID]; drawn == (p.Empty != "") {
				t.Errorf("%s %s: drawn %v, empty %q", s.StayID, p.ID, drawn, p.Empty)
			}
			rows := 0
			for _, row := range p.Table.Rows {
				if row[1] != "–" { // a drug that is ordered and has no dose record
					rows++
				}
			}
			if points := len(b.Data.Points[p.ID]); points != rows {
				t.Errorf("%s %s: %d marks and %d rows", s.StayID, p.ID, points, rows)
			}
		}
	}
}

func TestTheRowsOfTheDosesTellTheirSets(t *testing.T) {
	board := &assess.Service{Store: teststore.Demo(t), Policy: policy.Default(), Zone: time.UTC}
	view, err := board.Stay(context.Background(), "S108", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	b := charts.OfDoses(view, view.Policy.Policy, board.Catalogue(demo.AnchorTime()))
	raw, err := json.Marshal(b.Data.Panels["lanes"])
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range view.Assessment.Digest.Serial.Doses {
		want := fmt.Sprintf(`positive %d of %d within 4 h of a dose, else %d of %d"`, d.PositiveAfter, d.SetsAfter, d.PositiveOtherwise, d.SetsOtherwise)
		if !strings.Contains(string(raw), d.Drug+", ") || !strings.Contains(string(raw), want) {
			t.Errorf("the row of %s does not say %q", d.Drug, want)
		}
	}
	if got := len(b.Panels); got != 6 { // drop, doses, and the four values of its story
		t.Errorf("%d panels", got)
	}
	if p := panel(t, b, "lab-3"); p.Title != "Creatinine, mg/dL" || p.Table.Rows[3][1] != "1.5 mg/dL" {
		t.Errorf("%s: %v", p.Title, p.Table.Rows)
	}
}
