package web_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/demo"
	"plumbline/internal/demo/deeds"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// The demo shows what its people have done, a patient whom nobody measures, and a drug that
// only the site knows.
func TestTheDemoShowsWhatItsPeopleDid(t *testing.T) {
	d, board := open(t)
	if page := said(t, signedIn(d), "/stays/S133"); !strings.Contains(page, "ward mixture 7") {
		t.Error("the mixture is not listed as unknown before it is mapped")
	}
	site := deeds.Site{Codes: d.Codes, Owed: d.Episodes, Stays: board, Store: board.Data, Zone: time.UTC}
	if err := deeds.Do(t.Context(), site, demo.AnchorTime()); err != nil {
		t.Fatal(err)
	}
	h := signedIn(d)
	for path, sentences := range map[string][]string{
		"/units/4W": {
			"Ysolde", "Dr Farrowmere", "bedside-nurse", "the alarm is being repaired", "no vital signs since 1 Nov 11:",
			"declined 1 Nov 12:20 (tired)",
		},
		"/units/4W/episodes": {"Ysolde", "Dr Farrowmere", "bedside-nurse", "the alarm is being repaired"},
		"/stays/S101":        {"Ysolde"},
		"/stays/S102":        {"Told Dr Farrowmere at 2 Nov 03:25"},
		"/stays/S130":        {"No pressure or pulse from the feeds since 1 Nov 11:"},
		"/stays/S133":        {"hydrochlorothiazide"},
		"/codes":             {"ward mixture 7", "C03AA03"},
	} {
		page := said(t, h, path)
		for _, want := range sentences {
			if !strings.Contains(page, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
	}
	for role, pages := range map[string]map[string][]string{
		"prescriber": {"/asked": {"furosemide: lower", "50 min ago", "Yes, may stand", "suggested by pharmacist"}},
		"pharmacist": {
			"/suggestions": {
				"candesartan: stop", "as suggested: candesartan held", "agreed", "bisoprolol: move", "furosemide: lower",
				"not answered yet",
			},
		},
		"bedside-nurse": {"/units/4W/round": {"Ysolde", "Corvane", "Nobody's beds", "Beds 1A to 5B"}},
	} {
		for path, sentences := range pages {
			page := said(t, webtest.As(web.New(d), role), path)
			for _, want := range sentences {
				if !strings.Contains(page, want) {
					t.Errorf("%s does not say %q", path, want)
				}
			}
		}
	}
	if page := said(t, h, "/stays/S133"); strings.Contains(page, "ward mixture 7 (not recognised)") {
		t.Error("the mixture is still not recognised")
	}
}
