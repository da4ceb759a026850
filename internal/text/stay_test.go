package text

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// The smallest p of so few sets, 2/n!, stands beside it (Kendall 1970); from seven sets on
// it is under 0.001 and goes without saying.
func TestTheCourseOfTheDropIsSaidWithItsUncertainty(t *testing.T) {
	p := clinical.DefaultPolicy().Serial
	serial := func(trend string, sets int, slope float64, limits ...float64) trends.Serial {
		s := trends.Serial{Trend: trend, TrendSets: sets, Slope: &slope, P: ptr(0.027)}
		if len(limits) == 2 {
			s.SlopeLow, s.SlopeHigh = &limits[0], &limits[1]
		}
		return s
	}
	for _, tc := range []struct {
		serial trends.Serial
		want   string
	}{
		{serial(trends.Worsening, 5, 4, 1, 7), "The systolic drop is growing by 4 mmHg a day, over 5 sets lying to standing; 95 % interval 1 to 7; p = 0.027 (with so few sets at least 0.017)."},
		{serial(trends.Improving, 6, -3, -5, -1), "The systolic drop is shrinking by 3 mmHg a day, over 6 sets lying to standing; 95 % interval 1 to 5; p = 0.027 (with so few sets at least 0.0028)."},
		{serial(trends.Worsening, 5, 4, -1, 7), "The systolic drop is growing by 4 mmHg a day, over 5 sets lying to standing; 95 % interval from 1 a day less to 7 a day more; p = 0.027 (with so few sets at least 0.017)." +
			" The interval reaches the other way too: the sets do not settle it at 95 %, only at the policy's 0.1."},
		{serial(trends.Worsening, 4, 4), "The systolic drop is growing by 4 mmHg a day, over 4 sets lying to standing; too few sets for an interval, which takes five; p = 0.027 (with so few sets at least 0.083)."},
		{serial(trends.Steady, 7, 0.5, -2, 3), "No clear trend over 7 sets lying to standing; the best guess is growing by 0.5 mmHg a day; 95 % interval from 2 a day less to 3 a day more; p = 0.027. That is not the same as no change."},
		{serial(trends.Steady, 4, 0), "No clear trend over 4 sets lying to standing; the best guess is staying as it is (0 mmHg a day); too few sets for an interval, which takes five; p = 0.027 (with so few sets at least 0.083). That is not the same as no change."},
		{serial(trends.TooFew, 3, 2), "3 sets have a drop lying to standing that can be read: a trend is named from four sets on."},
		{trends.Serial{Trend: trends.TooFew, TrendSets: 1}, "1 set has a drop lying to standing that can be read: a trend is named from four sets on."},
	} {
		if got := Course(tc.serial, p); got != tc.want {
			t.Errorf("%q\nwant %q", got, tc.want)
		}
	}
}

func TestWhatWouldClearIsSaidInSetsAndTimes(t *testing.T) {
	p := clinical.DefaultPolicy()
	positive := trends.Set{Kind: trends.LyingToStanding}
	up := trends.Change{Drug: "doxazosin", Change: trends.Started, At: noon.Add(-time.Hour)}
	for _, tc := range []struct {
		needs trends.Needs
		want  []string
	}{
		{trends.Needs{Positive: positive, Negatives: 2}, []string{"2 negative sets lying to standing, each with a standing reading at 2 to 5.5 min, the first and the last at least 8 h apart."}},
		{trends.Needs{Positive: positive, Negatives: 1, NotBefore: ptr(noon)}, []string{"1 further negative set lying to standing, with a standing reading at 2 to 5.5 min, not before 20 Nov 12:00."}},
		{trends.Needs{Positive: trends.Set{Kind: trends.SittingToStanding}, Negatives: 2}, []string{"(or sitting to standing, as the positive one was)"}},
		{trends.Needs{Positive: positive, Negatives: 2, After: &up, Passed: 1}, []string{"Only sets after 20 Nov 11:00 count: doxazosin was started then.", "1 negative set at the end does not count"}},
	} {
		got := strings.Join(catalogue().Needed(tc.needs, p), " ")
		for _, want := range append(tc.want, "begins it anew") {
			if !strings.Contains(got, want) {
				t.Errorf("%q does not say %q", got, want)
			}
		}
	}
}

func TestDrugsThatMakeAFallMoreDangerousAreSaidByTheFall(t *testing.T) {
	fell := noon.Add(-5 * time.Hour)
	drug := func(name, atc string) trends.Antithrombotic {
		return trends.Antithrombotic{Substance: trends.Substance{Name: name, ATC: atc}}
	}
	on := drug("apixaban", "B01AF02")
	on.Ordered, on.LastGiven = true, ptr(fell.Add(-3*time.Hour))
	ended := drug("clopidogrel", "B01AC04")
	ended.Stopped, ended.Since = ptr(fell.Add(-24*time.Hour)), ptr(noon)
	given := drug("alteplase", "B01AD02")
	given.LastGiven = ptr(fell.Add(-time.Hour))
	later := drug("enoxaparin", "B01AB05")
	later.Since = ptr(fell.Add(2 * time.Hour))
	got := strings.Join(catalogue().Bleeding(trends.Bleeding{
		Drugs: []trends.Antithrombotic{on, ended, given, later}, Unrecognised: []string{"study drug"},
	}, fell), "\n")
	want := strings.Join([]string{
		"On an anticoagulant at the fall: apixaban, last given 20 Nov 04:00 (3 h before it).",
		"On an antiplatelet shortly before the fall: clopidogrel, order ended 19 Nov 07:00, no dose charted in the 7 days before it; again from 20 Nov 12:00.",
		"On a thrombolytic shortly before the fall: alteplase, no order at the fall, last given 20 Nov 06:00 (1 h before it).",
		"On an anticoagulant since the fall, not at it: enoxaparin, from 20 Nov 09:00 (2 h after it).",
		"Not recognised, so not judged, and may be one: study drug.",
	}, "\n")
	if got != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	for _, unknown := range [][]string{nil, {"study drug"}} { // "No anticoagulant" above a heparin lock would not be true
		got := catalogue().Bleeding(trends.Bleeding{LineOnly: []string{"heparin"}, Unrecognised: unknown}, fell)
		if len(got) != 1 || !strings.HasPrefix(got[0], "heparin only kept a line open. No other ") {
			t.Errorf("%q", got)
		}
	}
	if got := catalogue().Bleeding(trends.Bleeding{}, fell); len(got) != 1 || !strings.Contains(got[0], "No anticoagulant") {
		t.Errorf("none: %q", got)
	}
	// The rule's own words: none recognised, and those that are not, in one sentence.
	got = strings.Join(catalogue().Bleeding(trends.Bleeding{Unrecognised: []string{"study drug"}}, fell), "\n")
	want = "No drug charted around the fall is recognised as an anticoagulant, antiplatelet or thrombolytic; " +
		"not recognised, so not judged, and may be one: study drug."
	if got != want {
		t.Errorf("none that is known: %q, want %q", got, want)
	}
	fall := trends.FallFact{At: fell, Unrecognised: []string{"study drug"}}
	r := alerts.Reason{Rule: alerts.TFall, Figures: alerts.FellOf(fall, 1)}
	line := catalogue().LineOf(trends.Digest{Falls: []trends.FallFact{fall}}, r)
	if want := catalogue().Line(r) + ", drugs not recognised"; line != want {
		t.Errorf("on the list %q, want %q", line, want)
	}
	if got := catalogue().LineOf(trends.Digest{Falls: []trends.FallFact{{At: fell}}}, r); got != catalogue().Line(r) {
		t.Errorf("all recognised: %q", got)
	}
	if got := Bleeds(fall); got != "drugs not recognised" {
		t.Errorf("on the list of falls %q", got)
	}
}

// The line of a row says "on" of what ran at the fall alone.
func TestTheLineOfAFallSaysOnOfWhatRan(t *testing.T) {
	fell := noon.Add(-3 * time.Hour)
	at := ptr(fell.Add(-28 * time.Hour))
	for want, bleeds := range map[string][]trends.Bleed{
		" on warfarin, ":             {{Drug: "apixaban", Stopped: at}, {Drug: "warfarin"}},
		", apixaban stopped before,": {{Drug: "apixaban", Stopped: at}},
		", heparin begun since,":     {{Drug: "heparin", Since: at}},
	} {
		r := alerts.Reason{Rule: alerts.TFall, Figures: alerts.FellOf(trends.FallFact{At: fell, Bleeds: bleeds}, 1)}
		if got := catalogue().Line(r); !strings.Contains(got, want) || strings.Contains(got, "on apixaban") {
			t.Errorf("%q lacks %q", got, want)
		}
	}
}

// The rule's own words: "on enoxaparin, last 82 min before the fall; injury not charted",
// wherever the fall stands.
func TestAFallStandsWithTheDrugsThatMakeItBleed(t *testing.T) {
	fell := noon.Add(-3 * time.Hour)
	hour := func(h float64) *time.Time { return ptr(fell.Add(time.Duration(h * float64(time.Hour)))) }
	for want, bleeds := range map[string][]trends.Bleed{
		"injury not charted": nil,
		"on apixaban and clopidogrel, last 60 min before the fall; injury not charted": {
			{Drug: "apixaban", LastGiven: hour(-1)}, {Drug: "clopidogrel", LastGiven: hour(-1)},
		},
		"on enoxaparin, last 82 min before the fall; injury not charted":                                         {{Drug: "enoxaparin", LastGiven: ptr(fell.Add(-82 * time.Minute))}},
		"on warfarin, no dose charted in the 7 days before the fall; injury not charted":                         {{Drug: "warfarin"}},
		"warfarin stopped 3 h before the fall, last 20 h before the fall; injury not charted":                    {{Drug: "warfarin", Stopped: hour(-3), LastGiven: hour(-20)}},
		"heparin begun 2 h after the fall; injury not charted":                                                   {{Drug: "heparin", Since: hour(2)}},
		"on apixaban, last 5 h before the fall; on clopidogrel, last 4 days before the fall; injury not charted": {{Drug: "apixaban", LastGiven: hour(-5)}, {Drug: "clopidogrel", LastGiven: hour(-96)}},
	} {
		f := trends.FallFact{At: fell, Bleeds: bleeds}
		r := alerts.Reason{Rule: alerts.TFall, Figures: alerts.FellOf(f, 1)}
		event := alerts.Event{At: fell, Fall: &f, Reason: alerts.Reason{Figures: alerts.FellOf(f, 0)}}
		seen := event
		seen.SetNow = true
		for place, got := range map[string]string{
			"reason": catalogue().Reason(r), "on paper": catalogue().LeadBrief(r), "who fell": catalogue().Event(event),
			"who fell, with a set": catalogue().Event(seen), "since the huddle": catalogue().NewFalls([]trends.FallFact{f}),
			"episode": catalogue().EpisodeWhy(alerts.TFall, r.Figures),
		} {
			if !strings.Contains(got, ", "+want) {
				t.Errorf("%s: %q lacks %q", place, got, want)
			}
		}
	}
}
