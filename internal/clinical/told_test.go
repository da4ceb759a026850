package clinical

import (
	"slices"
	"testing"
	"time"
)

// ATC: B01AB01 is heparin, B01AB51 heparin in combinations, B01AB05 enoxaparin.
func TestHeparinAloneIsHeparin(t *testing.T) {
	for code, want := range map[string]bool{"B01AB01": true, "B01AB51": true, "B01AB05": false, "": false} {
		if got := (Ingredient{ATC: code}).Heparin(); got != want {
			t.Errorf("%s: %v", code, got)
		}
	}
	for text, want := range map[string]bool{
		"heparin flush 10 units/mL": true, "Heparin LOCK": true, "heparin infusion": false, "heparin for a blocked line": false,
	} {
		if got := KeepsLineOpen(text); got != want {
			t.Errorf("%s: %v", text, got)
		}
	}
}

// LOINC: 2823-3 is potassium in serum, 718-7 hemoglobin in blood.
func TestALaboratoryValueThatIsShownAlone(t *testing.T) {
	for code, want := range map[string]bool{"2823-3": true, " 2823-3 ": true, "718-7": false, "": false} {
		if got := ShownLab(code); got != want {
			t.Errorf("%q: %v", code, got)
		}
	}
}

func TestAFactIsChartedHereWhateverFeedSaidItSince(t *testing.T) {
	for _, c := range []struct {
		feeds []string
		want  bool
	}{{[]string{BedsideFeed}, true}, {[]string{BedsideFeed, "csv"}, true}, {[]string{"csv"}, false}, {nil, false}} {
		var r Record
		for _, feed := range c.feeds {
			r.History = append(r.History, Version{Feed: feed})
		}
		if got := r.TakenHere(); got != c.want {
			t.Errorf("%v: %v", c.feeds, got)
		}
	}
}

// An answer and a treatment happen once: their own time is the only one that they name,
// and what they say does not depend on when it was known.
func TestWhatHappensOnceHasOneTime(t *testing.T) {
	for kind, b := range map[Kind]Body{
		KindAnswer: Answer{AnsweredAt: noon}, KindTreatment: Treatment{GivenAt: noon},
	} {
		if got := b.OwnTime(); !got.Equal(noon) {
			t.Errorf("%s: its own time is %s", kind, got)
		}
		if got := b.times(); !slices.Equal(got, []time.Time{noon}) {
			t.Errorf("%s: it names %v", kind, got)
		}
		if got := b.asKnownAt(noon.Add(-time.Hour)); !got.OwnTime().Equal(noon) || got.FactKind() != kind {
			t.Errorf("%s: an hour before it is %+v", kind, got)
		}
	}
}

func TestWhereARouteMayBeTold(t *testing.T) {
	want := RouteTold{Route: "iv", Text: "furosemide 40 mg"}
	order, dose := Order{Route: want.Route}, Dose{Route: want.Route}
	order.Text, dose.Text = want.Text, want.Text
	if got := order.RouteTold(); got != want {
		t.Errorf("an order: %+v", got)
	}
	if got := dose.RouteTold(); got != want {
		t.Errorf("a dose: %+v", got)
	}
}

// Of two versions with one recorded_at from one file the later reading counts, then the lower line.
func TestAVersionThatWasReadLaterCounts(t *testing.T) {
	first := Version{RecordedAt: noon, File: "a.csv", Reading: noon.UnixMicro(), Line: 9}
	later := first
	later.Reading, later.Line = first.Reading+1, 2
	if !first.Before(later) || later.Before(first) {
		t.Error("the reading does not decide before the line")
	}
}

func TestTheSteadyClockNeverGoesBack(t *testing.T) {
	was := SteadyClock()
	for range 1000 {
		now := SteadyClock()
		if now.Before(was) || now.Location() != time.UTC {
			t.Fatalf("%s after %s", now, was)
		}
		was = now
	}
}
