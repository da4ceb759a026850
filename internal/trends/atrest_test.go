package trends

import "testing"

// A systolic at rest under 90 stays the newest low one until a later pressure at rest is 90 or
// more (F-SUPINE's figure; common practice). The answers are worked out by hand.
func TestTheNewestLowPressureAtRest(t *testing.T) {
	for _, c := range []struct{ what, readings, want string }{
		{"nothing charted", "0 lying -/- 70", ""},
		{"lying", "0 lying 78/45 id=a", "a"},
		{"sitting", "0 sitting 89.9/45 id=a", "a"},
		{"90 is not under 90", "0 lying 90/45", ""},
		{"position not charted", "0 - 78/45 id=a", "a"},
		{"standing is not at rest", "0 standing 78/45", ""},
		{"the newest of two", "0 lying 78/45 id=a; 30 sitting 80/50 id=b", "b"},
		{"a later one of 90", "0 lying 78/45 id=a; 30 lying 90/50", ""},
		{"a later one of 90, and a low one after it", "0 lying 78/45 id=a; 30 lying 95/50; 60 lying 85/50 id=c", "c"},
		{"an earlier one of 90", "0 lying 120/50; 30 lying 78/45 id=a", "a"},
		{"at the same moment the low one stands", "0 lying 78/45 id=a; 0 sitting 120/50 set=x", "a"},
		{"a later one without a position", "0 lying 78/45 id=a; 30 - 120/50", "a"},
		{"both without a position", "0 - 78/45 id=a; 30 - 120/50", ""},
		{"one without a position between", "0 lying 78/45 id=a; 30 - 80/50 id=b; 60 - 120/50", "a"},
		{"the newest, of either kind", "0 lying 78/45 id=a; 30 - 80/50 id=b", "b"},
		{"an upright one of a set ends nothing", "0 lying 85/45 id=a; 3 standing 95/50 id=b", "a"},
		{"the baseline of a later set does", "0 lying 78/45 id=a; 30 lying 120/70; 33 standing 118/70", ""},
		{"a low upright one is no pressure at rest", "0 lying 120/70; 3 sitting 80/50", ""},
		{"what is not believed is none", "0 lying 30/20; 5 lying 78/145", ""},
		{"what is not believed ends none", "0 lying 78/45 id=a; 30 lying 400/45", "a"},
		{"a pulse alone ends none", "0 lying 78/45 id=a; 30 lying -/- 70", "a"},
	} {
		d := newChart(t).readings(c.readings).digest()
		got := ""
		if d.LowAtRest != nil {
			got = d.LowAtRest.SourceID
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.what, got, c.want)
		}
	}
}

// What was felt at rest is no symptom of standing (S-SYMPTOMS), and is kept beside the set.
func TestWhatWasFeltAtRestIsKept(t *testing.T) {
	for _, c := range []struct{ readings, atRest, symptoms string }{
		{"0 lying 120/70 sym=chest_pain; 3 standing 118/70 sym=nausea", "chest pain", "nausea"},
		{"0 lying 120/70 set=a sym=nausea+chest_pain", "nausea, chest pain", ""},
		{"0 lying 120/70 set=a sym=nausea stop", "", "nausea"}, // stopped early: of the set
		{"0 standing 120/70 set=a sym=nausea", "", "nausea"},
	} {
		set := newChart(t).readings(c.readings).digest().Sets[0]
		wantWords(t, c.readings+": at rest", set.AtRest, c.atRest)
		wantWords(t, c.readings+": symptoms", set.Symptoms, c.symptoms)
	}
}
