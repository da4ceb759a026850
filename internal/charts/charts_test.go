package charts_test

import (
	"context"
	"encoding/json"
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
		if len(b.Panels) != 6 {
			t.Fatalf("%s: %d panels, want 6", s.StayID, len(b.Panels))
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
