package dosereview_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbline/internal/alerts"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func positive(facts ...string) trends.Set {
	return trends.Set{StartedAt: noon, Finding: trends.Positive, Facts: facts}
}

func raise(drug string, at time.Time) trends.Change {
	return trends.Change{Drug: drug, Change: trends.Raised, At: at, Lowering: true, Orders: []string{"o-" + drug}}
}

// reviewed is an assessment that asks for a review, of one alpha-blocker and one
// positive set.
func reviewed() alerts.Assessment {
	return alerts.Assessment{
		Digest: trends.Digest{Sets: []trends.Set{positive("v1", "v2")}, Changes: []trends.Change{raise("doxazosin", noon.Add(-time.Hour))}},
		Review: alerts.Review{Needed: true, Flags: []alerts.Flag{
			{Rule: alerts.DAlpha, Drugs: []string{"doxazosin"}, Facts: []string{"o1", "d1"}},
			{Rule: alerts.DFrid, Drugs: []string{"lorazepam"}, Facts: []string{"o2"}},
		}},
	}
}

func reviewOf(a alerts.Assessment) *records.DoseReview {
	return &records.DoseReview{
		Outcome: dosereview.NoChange, LookAgain: "2026-03-05", Evidence: dosereview.EvidenceOf(a),
	}
}

func TestWhatBringsAReviewedStayBack(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*alerts.Assessment)
		want   dosereview.Place
		news   string // flags, sets, raises
	}{
		"nothing": {func(*alerts.Assessment) {}, dosereview.Reviewed, "0 0 0"},
		"a dose given": {func(a *alerts.Assessment) {
			a.Review.Flags[0].Facts = append(a.Review.Flags[0].Facts, "d2")
		}, dosereview.Reviewed, "0 0 0"},
		"a flag that has gone": {func(a *alerts.Assessment) { a.Review.Flags = a.Review.Flags[:1] }, dosereview.Reviewed, "0 0 0"},
		"a negative set": {func(a *alerts.Assessment) {
			a.Digest.Sets = append(a.Digest.Sets, trends.Set{Finding: trends.Negative, Facts: []string{"v3"}})
		}, dosereview.Reviewed, "0 0 0"},
		"a late reading of the same set": {func(a *alerts.Assessment) {
			a.Digest.Sets[0].Facts = append(a.Digest.Sets[0].Facts, "v9")
		}, dosereview.Reviewed, "0 0 0"},
		"a dose lowered": {func(a *alerts.Assessment) {
			a.Digest.Changes = append(a.Digest.Changes, trends.Change{Drug: "doxazosin", Change: trends.Lowered, At: noon, Lowering: true})
		}, dosereview.Reviewed, "0 0 0"},
		"a sedative raised": {func(a *alerts.Assessment) {
			a.Digest.Changes = append(a.Digest.Changes, trends.Change{Drug: "lorazepam", Change: trends.Raised, At: noon})
		}, dosereview.Reviewed, "0 0 0"},

		"another flag": {func(a *alerts.Assessment) {
			a.Review.Flags = append(a.Review.Flags, alerts.Flag{Rule: alerts.DDry})
		}, dosereview.ToReview, "1 0 0"},
		"another drug of the same flag": {func(a *alerts.Assessment) {
			a.Review.Flags[1].Drugs = []string{"lorazepam", "quetiapine"}
		}, dosereview.ToReview, "1 0 0"},
		"another positive set": {func(a *alerts.Assessment) {
			a.Digest.Sets = append(a.Digest.Sets, positive("v3"))
		}, dosereview.ToReview, "0 1 0"},
		"a negative set corrected to a positive one": {func(a *alerts.Assessment) {
			a.Digest.Sets = []trends.Set{a.Digest.Sets[0], positive("v4")}
		}, dosereview.ToReview, "0 1 0"},
		"a raise by the order that was known": {func(a *alerts.Assessment) {
			a.Digest.Changes = append(a.Digest.Changes, raise("doxazosin", noon))
		}, dosereview.ToReview, "0 0 1"},
		"another flag of a stay that asks for no review": {func(a *alerts.Assessment) {
			a.Review.Needed = false
			a.Review.Flags = append(a.Review.Flags, alerts.Flag{Rule: alerts.DDry})
		}, dosereview.Flagged, "1 0 0"},
	} {
		t.Run(name, func(t *testing.T) {
			a := reviewed()
			last := reviewOf(a)
			c.change(&a)
			got, ok := dosereview.StandingOf(a, last, "2026-03-03")
			counts := []int{len(got.News.Flags), len(got.News.Sets), len(got.News.Raised)}
			if !ok || got.Place != c.want || strings.Trim(strings.Join(strings.Fields(fmtInts(counts)), " "), "[]") != c.news {
				t.Errorf("%v %s with %v new, want %s with %s", ok, got.Place, counts, c.want, c.news)
			}
			if a.Review.Needed { // the mark of the form sees what brings a stay back, and what has gone
				same := dosereview.EvidenceOf(a).Mark() == last.Evidence.Mark()
				if got.News.Any() && same {
					t.Error("the mark of the evidence is the same")
				}
			}
		})
	}
}

func fmtInts(n []int) string {
	out := make([]string, len(n))
	for i, v := range n {
		out[i] = string(rune('0' + v))
	}
	return strings.Join(out, " ")
}

func TestAReviewHoldsUntilItsDay(t *testing.T) {
	a := reviewed()
	for today, want := range map[string]dosereview.Place{
		"2026-03-02": dosereview.Reviewed, "2026-03-04": dosereview.Reviewed,
		"2026-03-05": dosereview.ToReview, "2026-12-01": dosereview.ToReview,
	} {
		got, _ := dosereview.StandingOf(a, reviewOf(a), today)
		if got.Place != want || got.Due != (want == dosereview.ToReview) {
			t.Errorf("%s: %s, due %v; want %s", today, got.Place, got.Due, want)
		}
	}
	a.Review.Needed = false // whoever asked to look again is asked, whatever the rules say by then
	if got, _ := dosereview.StandingOf(a, reviewOf(a), "2026-03-05"); got.Place != dosereview.ToReview {
		t.Errorf("on its day a stay that asks for no review is %s", got.Place)
	}
}

func TestAStayWithoutAReviewStandsByItsFlags(t *testing.T) {
	a := reviewed()
	if got, ok := dosereview.StandingOf(a, nil, "2026-03-02"); !ok || got.Place != dosereview.ToReview || got.News.Any() {
		t.Errorf("asked for: %+v", got)
	}
	a.Review.Needed = false
	if got, ok := dosereview.StandingOf(a, nil, "2026-03-02"); !ok || got.Place != dosereview.Flagged {
		t.Errorf("flags alone: %+v", got)
	}
	a.Review.Flags = nil
	if _, ok := dosereview.StandingOf(a, reviewOf(reviewed()), "2026-03-02"); ok {
		t.Error("a stay without a flag is in the queue")
	}
	a = reviewed()
	last := a.Digest.Sets[len(a.Digest.Sets)-1].StartedAt
	a.Digest.Falls = []trends.FallFact{{SourceID: "F", At: last.Add(time.Hour), Injury: "death"}}
	if _, ok := dosereview.StandingOf(a, nil, "2026-03-02"); ok {
		t.Error("a patient who died of a fall is in the queue")
	}
	a.Digest.Falls[0].At = last // a set after it: that is for the chart to settle (C-FATAL), and owes nothing else
	if _, ok := dosereview.StandingOf(a, nil, "2026-03-02"); ok {
		t.Error("a set that is charted after a death brings the patient back into the queue")
	}
}

func TestTheMarkLeavesDosesOut(t *testing.T) {
	a := reviewed()
	before := dosereview.EvidenceOf(a)
	kept := slices.Clone(before.Flags[0].Facts)
	mark := before.Mark()
	if diff := cmp.Diff(kept, before.Flags[0].Facts); diff != "" {
		t.Errorf("taking the mark changed the evidence: %s", diff)
	}
	a.Review.Flags[0].Facts = append(a.Review.Flags[0].Facts, "d7")
	if dosereview.EvidenceOf(a).Mark() != mark {
		t.Error("a dose given changes the mark")
	}
	a.Digest.Sets = append(a.Digest.Sets, positive("v5"))
	if dosereview.EvidenceOf(a).Mark() == mark {
		t.Error("a positive set leaves the mark as it was")
	}
}

// What stood at a review is never new, whatever it was; and what is taken away is not.
func TestNothingIsNewAgainstItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a alerts.Assessment
		word := rapid.SampledFrom([]string{"a", "b", "c", "d"})
		for range rapid.IntRange(0, 4).Draw(t, "flags") {
			a.Review.Flags = append(a.Review.Flags, alerts.Flag{Rule: word.Draw(t, "rule"), Drugs: rapid.SliceOf(word).Draw(t, "drugs")})
		}
		slices.SortFunc(a.Review.Flags, func(x, y alerts.Flag) int { return strings.Compare(x.Rule, y.Rule) })
		a.Review.Flags = slices.CompactFunc(a.Review.Flags, func(x, y alerts.Flag) bool { return x.Rule == y.Rule }) // a rule stands once
		for range rapid.IntRange(0, 3).Draw(t, "sets") {
			a.Digest.Sets = append(a.Digest.Sets, positive(word.Draw(t, "fact")))
		}
		for range rapid.IntRange(0, 3).Draw(t, "raises") {
			a.Digest.Changes = append(a.Digest.Changes, raise(word.Draw(t, "drug"), noon))
		}
		stood := dosereview.EvidenceOf(a)
		if news := dosereview.NewsSince(a, stood); news.Any() {
			t.Fatalf("new against itself: %+v", news)
		}
		if n := len(a.Review.Flags); n > 0 {
			gone := rapid.IntRange(0, n-1).Draw(t, "gone")
			a.Review.Flags = slices.Delete(a.Review.Flags, gone, gone+1)
		}
		if news := dosereview.NewsSince(a, stood); news.Any() {
			t.Fatalf("new with less: %+v", news)
		}
	})
}

func TestADraftIsCheckedBeforeItIsRecorded(t *testing.T) {
	good := dosereview.Draft{Outcome: dosereview.Suggested, LookAgain: "2026-03-05"}
	for name, c := range map[string]struct {
		draft dosereview.Draft
		want  []dosereview.Problem
	}{
		"good":            {good, nil},
		"empty":           {dosereview.Draft{}, []dosereview.Problem{dosereview.NoOutcome, dosereview.NoDay}},
		"unknown outcome": {dosereview.Draft{Outcome: "x", LookAgain: good.LookAgain}, []dosereview.Problem{dosereview.NoOutcome}},
		"other without a note": {dosereview.Draft{Outcome: dosereview.Other, Note: " \n", LookAgain: good.LookAgain},
			[]dosereview.Problem{dosereview.NoteMissing}},
		"other with a note": {dosereview.Draft{Outcome: dosereview.Other, Note: "x", LookAgain: good.LookAgain}, nil},
		"as long as may be": {dosereview.Draft{Outcome: dosereview.Held, Note: strings.Repeat("ü", dosereview.MaxNote), LookAgain: good.LookAgain}, nil},
		"longer": {dosereview.Draft{Outcome: dosereview.Held, Note: strings.Repeat("ü", dosereview.MaxNote+1), LookAgain: good.LookAgain},
			[]dosereview.Problem{dosereview.NoteLong}},
		"today":           {dosereview.Draft{Outcome: dosereview.Held, LookAgain: "2026-03-02"}, []dosereview.Problem{dosereview.DayPast}},
		"tomorrow":        {dosereview.Draft{Outcome: dosereview.Held, LookAgain: "2026-03-03"}, nil},
		"the last day":    {dosereview.Draft{Outcome: dosereview.Held, LookAgain: "2026-05-31"}, nil},
		"the day after":   {dosereview.Draft{Outcome: dosereview.Held, LookAgain: "2026-06-01"}, []dosereview.Problem{dosereview.DayFar}},
		"no day of these": {dosereview.Draft{Outcome: dosereview.Held, LookAgain: "2026-02-30"}, []dosereview.Problem{dosereview.NoDay}},
	} {
		if diff := cmp.Diff(c.want, c.draft.Check("2026-03-02")); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

func TestADrugIsFoundByWhatPeopleType(t *testing.T) {
	doxazosin := trends.Substance{Name: "doxazosin", ATC: "C02CA04"}
	for typed, want := range map[string]bool{
		"": true, "alpha-blocker": true, "Alpha-1 blocker": true, "alpha": true, "DOXA": true, "doxazosin": true,
		"beta-blocker": false, "al": false, "contributing": false, "pressor": false, "prazosin": false,
	} {
		if got := dosereview.Matches(doxazosin, typed); got != want {
			t.Errorf("doxazosin by %q: %v, want %v", typed, got, want)
		}
	}
	apixaban := trends.Substance{Name: "apixaban", ATC: "B01AF02"}
	for typed, want := range map[string]bool{
		"apix": true, "anticoagulant": true, "Anti-coagulant": true, "antiplatelet": false, "contributing": false,
	} {
		if got := dosereview.Matches(apixaban, typed); got != want {
			t.Errorf("apixaban by %q: %v, want %v", typed, got, want)
		}
	}
	lorazepam := trends.Substance{Name: "lorazepam", ATC: "N05BA06"}
	for typed, want := range map[string]bool{"contributing": true, "loraz": true, "alpha-blocker": false} {
		if got := dosereview.Matches(lorazepam, typed); got != want {
			t.Errorf("lorazepam by %q: %v, want %v", typed, got, want)
		}
	}
}

// What is typed to find a drug: letters count, case and spaces do not, and two letters are
// too few to search a text for.
func TestWhatIsTypedFindsTexts(t *testing.T) {
	for _, c := range []struct {
		charted, typed string
		want           bool
	}{
		{"Tamsulosin 0.4 mg", "TAMSU", true},
		{"Tamsulosin 0.4 mg", "ta", false},
		{"Tamsulosin 0.4 mg", "zol", false},
		{"eye drops, own supply", "own-supply", true},
		{"", "own", false},
	} {
		if got := dosereview.InText(c.charted, c.typed); got != c.want {
			t.Errorf("%q in %q: %v, want %v", c.typed, c.charted, got, c.want)
		}
	}
	if !dosereview.Same("Loop diuretic", "loop-diuretic") || dosereview.Same("loop", "loop diuretic") {
		t.Error("the same words are told apart, or others are not")
	}
	if !dosereview.Names("furosemide", "furosemide") || dosereview.Names("furosemide", "tamsulosin") || dosereview.Names("no drug at all", "furosemide") {
		t.Error("a drug is not named by its own name, or by another's")
	}
}

// Who corrects a review begins from what its form held.
func TestTheFormOfARecordedReview(t *testing.T) {
	r := records.DoseReview{StayID: "S1", Who: "pia", Outcome: dosereview.Held, Note: "held tonight", LookAgain: "2026-11-03"}
	if got, want := dosereview.DraftOf(r), (dosereview.Draft{Outcome: dosereview.Held, Note: "held tonight", LookAgain: "2026-11-03"}); !got.Same(want) {
		t.Errorf("the form held %+v, want %+v", got, want)
	}
}
