package parts

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// Issue: situation, what was found, what is owed, by whom, until when, in no more than 600
// characters a patient, whatever the feeds bring.
func TestAHandoverIsShort(t *testing.T) {
	now := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	times := frame.Times{Catalogue: text.Catalogue{Zone: time.UTC, At: now}}
	due := now.Add(-time.Hour)
	thing := func(who string) episodes.Thing {
		th := episodes.Thing{Due: &episodes.Due{Kind: episodes.RecheckOverdue, At: &due}}
		th.Kind, th.State, th.Who = episodes.RecheckOverdue, records.EpisodeState(episodes.Assigned), who
		return th
	}
	a := alerts.Assessment{Tier: alerts.Now, At: now}
	a.Digest = trends.Digest{StayID: "S1"}
	a.Digest.Stay.Unit, a.Digest.Stay.Bed, a.Digest.Stay.Name = "4W", "7B", "Ann"
	got := HandoverOf(times, a, []episodes.Thing{thing("Ysolde")}, nil)
	for _, want := range []string{"4W 7B Ann (now)", "Latest set: none in this stay.", "Owed: ", " since 09:00 (", "Ysolde", "As known 2 Nov 10:00."} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
	a.Digest.Stay.Name, a.Digest.Stay.Bed = strings.Repeat("x", 3000), strings.Repeat("9", 500)
	var many []episodes.Thing
	for range 40 {
		many = append(many, thing(strings.Repeat("y", 90)))
	}
	got = HandoverOf(times, a, many, nil)
	if n := utf8.RuneCountInString(got); n > MaxHandover {
		t.Errorf("%d characters", n)
	}
	if !strings.Contains(got, "more on the page.") || !strings.Contains(got, "Owed: ") {
		t.Errorf("what is left out is not told: %q", got)
	}
	if got := HandoverOf(times, a, []episodes.Thing{thing(strings.Repeat("y", 3000))}, nil); utf8.RuneCountInString(got) != MaxHandover {
		t.Errorf("a text of any length takes %d characters", utf8.RuneCountInString(got))
	}
}

// R-FALL: the set after a fall is due 4 h after it, whatever was owed before; R-ANSWER: who
// takes over must know what was answered.
func TestAHandoverTellsTheHourOfTheFallAndTheAnswers(t *testing.T) {
	now := time.Date(2026, 11, 30, 16, 0, 0, 0, time.UTC)
	fell, before := now.Add(-time.Hour), now.Add(-72*time.Hour)
	a := alerts.Assessment{Tier: alerts.Now, At: now, Recheck: alerts.Recheck{
		State: alerts.Overdue, Rule: alerts.RAdmit, DueAt: &before, Answered: 4, AskProvider: true,
		Open: []alerts.Instance{{Rule: alerts.RFall, Trigger: fell, Due: fell.Add(4 * time.Hour)}},
	}}
	th := episodes.Thing{Due: &episodes.Due{Kind: episodes.FallWithoutSet, At: &before, Figures: alerts.FellFigures{FellAt: fell}}}
	th.Kind, th.State = episodes.FallWithoutSet, records.EpisodeState(episodes.Open)
	times := frame.Times{Catalogue: text.Catalogue{Zone: time.UTC, At: now}}
	got := HandoverOf(times, a, []episodes.Thing{th}, nil)
	for _, want := range []string{"set after the fall by 19:00 (nobody's)", ", overdue since 27 Nov 16:00", "answered 4 times: ask the provider"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
	if got := HandoverOf(times, a, nil, nil); !strings.Contains(got, "Mind: answered 4 times: ask the provider") {
		t.Errorf("%q: the answers are lost where no set is owed", got)
	}
}

// A character that turns what follows around (UAX 9) would turn the figures and the hour that stand
// after it, wherever the text is pasted.
func TestAHandoverIsNotTurnedAround(t *testing.T) {
	now := time.Date(2026, 11, 30, 16, 0, 0, 0, time.UTC)
	times := frame.Times{Catalogue: text.Catalogue{Zone: time.UTC, At: now}}
	a := alerts.Assessment{Tier: alerts.Now, At: now}
	a.Digest.Stay.Unit, a.Digest.Stay.Bed, a.Digest.Stay.Name = "4W", "7B", "Ann \u202eeod"
	th := episodes.Thing{Due: &episodes.Due{Kind: episodes.RecheckOverdue, At: &now}}
	th.Kind, th.State, th.Who = episodes.RecheckOverdue, records.EpisodeState(episodes.Assigned), "\u202eYsolde אבג"
	got := HandoverOf(times, a, []episodes.Thing{th}, nil)
	if strings.ContainsRune(got, '\u202e') {
		t.Errorf("%q turns what follows around", got)
	}
	for _, want := range []string{"4W 7B Ann eod (now)", "(Ysolde \u2068אבג\u2069)"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
}

// A note stands in what is copied, the latest first; of a long one as much as there is room for; and
// whatever was typed, a patient takes 600 characters at most.
func TestNotesStandInTheHandover(t *testing.T) {
	at := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	times := frame.Times{Catalogue: text.Catalogue{Zone: time.UTC, At: at}}
	a := alerts.Assessment{At: at, Tier: alerts.Today, Digest: trends.Digest{Stay: clinical.Stay{Unit: "4W", Bed: "1A", Name: "Ysolde"}}}
	note := func(said string, hours float64) records.HandoverNote {
		return records.HandoverNote{Text: said, Who: "ann", At: at.Add(-clinical.Hours(hours))}
	}
	got := HandoverOf(times, a, nil, []records.HandoverNote{note("daughter calls", 3), note("prefers left side", 1)})
	if !strings.Contains(got, "Noted: prefers left side (ann 09:00); daughter calls (ann 07:00).") {
		t.Errorf("%q", got)
	}
	lacking := episodes.Thing{Due: &episodes.Due{
		Kind: episodes.PrecautionsMissing, Figures: alerts.MissingFigures{Missing: []string{"bed alarm"}},
	}}
	lacking.Kind, lacking.State, lacking.Who = episodes.PrecautionsMissing, episodes.Taken, "Bo"
	if got := HandoverOf(times, a, []episodes.Thing{lacking}, nil); !strings.Contains(got, "Owed: missing bed alarm (Bo)") {
		t.Errorf("%q", got)
	}
	many := []episodes.Thing{}
	for range 8 {
		th := episodes.Thing{}
		th.Kind, th.State, th.Who = episodes.DoseReview, episodes.Taken, strings.Repeat("y", 40)
		many = append(many, th)
	}
	long := []records.HandoverNote{note("first", 2), note(strings.Repeat("w", MaxNote), 1)}
	got = HandoverOf(times, a, many, long)
	if n := utf8.RuneCountInString(got); n > MaxHandover || !strings.Contains(got, "wwwwwwwwww") || !strings.Contains(got, "As known") {
		t.Errorf("%d characters: %q", n, got)
	}
	for _, name := range []string{"Ysolde", strings.Repeat("n", 3000)} {
		a.Digest.Stay.Name, a.Digest.Stay.Bed = name, name
		if n := utf8.RuneCountInString(HandoverOf(times, a, many, long)); n > MaxHandover {
			t.Errorf("%d characters", n)
		}
	}
}

// Nobody stands a patient who died of the fall, for however long the others stand.
func TestNothingIsNotedOfASetOfWhoDied(t *testing.T) {
	now := time.Date(2026, 11, 30, 16, 0, 0, 0, time.UTC)
	times := frame.Times{Catalogue: text.Catalogue{Zone: time.UTC, At: now}}
	long := 8.0
	a := alerts.Assessment{At: now, Digest: trends.Digest{Serial: trends.Serial{ClearMinutes: &long}}}
	if got := SetNotes(times, a); len(got) != 1 {
		t.Fatalf("%q: how long the patient stands is not noted", got)
	}
	a.Digest.Falls = []trends.FallFact{{At: now, Injury: "death"}}
	if got := SetNotes(times, a); len(got) != 0 {
		t.Errorf("%q", got)
	}
}

// Who takes over reads each thing once, whom was told, and the finding with its figures.
func TestAHandoverTellsEachThingOnce(t *testing.T) {
	now := time.Date(2026, 11, 30, 16, 0, 0, 0, time.UTC)
	times := frame.Times{Catalogue: text.Catalogue{Zone: time.UTC, At: now}}
	a := alerts.Assessment{Tier: alerts.Now, At: now}
	a.Digest = trends.Digest{StayID: "S1", Sets: []trends.Set{{StartedAt: now.Add(-time.Hour), Finding: trends.Inconclusive}}}
	told := episodes.Thing{}
	told.Kind, told.State, told.ToldWhom, told.ToldAt = episodes.TellProvider, records.EpisodeDone, "Dr Chen", now.Add(-time.Minute)
	got := HandoverOf(times, a, []episodes.Thing{told}, nil)
	for _, want := range []string{"Dr Chen", "cannot be read, "} {
		if !strings.Contains(got, want) {
			t.Errorf("%q lacks %q", got, want)
		}
	}
	precautions := episodes.Thing{Due: &episodes.Due{Kind: episodes.PrecautionsMissing}}
	precautions.Kind = episodes.PrecautionsMissing
	if !ToldElsewhere(a, alerts.TPrecaution, []episodes.Thing{precautions}) || ToldElsewhere(a, alerts.TPrecaution, nil) {
		t.Error("precautions are told twice, or not at all")
	}
}
