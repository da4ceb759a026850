package alerts

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Of the tests of this file: what was charted only later follows from the meaning of
// "known at" (docs/feeds.md) and of "before the fall"; it is worked out by hand.

// version is a version of a fact of stay S, recorded at an hour.
func version(id string, recorded float64, body clinical.Body) clinical.Version {
	return clinical.Version{
		Kind: body.FactKind(), SourceID: id, StayID: "S", RecordedAt: hour(recorded), Stated: true, Status: clinical.Final, Body: body,
	}
}

func with(v clinical.Version, status clinical.Status) clinical.Version {
	v.Status = status
	return v
}

func of(v clinical.Version, stay string) clinical.Version {
	v.StayID = stay
	return v
}

// takenBack is a retraction that names nothing but the fact.
func takenBack(v clinical.Version, recorded float64) clinical.Version {
	return clinical.Version{Kind: v.Kind, SourceID: v.SourceID, RecordedAt: hour(recorded), Stated: true, Status: clinical.EnteredInError}
}

func weight(id string, at, recorded, kg float64) clinical.Version {
	return version(id, recorded, clinical.Weight{MeasuredAt: hour(at), KG: kg})
}

func admitted(recorded float64, unit string) clinical.Version {
	v := version("S", recorded, clinical.Stay{PatientID: "P", Unit: unit, AdmittedAt: hour(-100)})
	return v
}

func order(recorded, from float64, end *float64) clinical.Version {
	o := clinical.Order{Drug: clinical.Drug{Text: "furosemide"}, StartAt: hour(from)}
	if end != nil {
		t := hour(*end)
		o.EndAt = &t
	}
	return with(version("o", recorded, o), clinical.Active)
}

func bedAlarm(recorded, from float64, end *float64) clinical.Version {
	p := clinical.Precaution{Precaution: "bed alarm", StartedAt: hour(from)}
	if end != nil {
		t := hour(*end)
		p.EndedAt = &t
	}
	return version("p", recorded, p)
}

// later tells what was charted after the moment -6 h of a fall at -2 h, by noon: for
// each what, came to be, recorded, and whether late and after the fall.
func later(versions ...clinical.Version) string {
	var out []string
	for _, l := range ChartedLater("S", "fall", append(versions, admitted(-100, "4W")), hour(-6), hour(-2), noon) {
		at := "never"
		if !l.At.IsZero() {
			at = fmt.Sprint(l.At.Sub(noon).Hours())
		}
		s := fmt.Sprintf("%s %s %s>%v", l.SourceID, l.What, at, l.RecordedAt.Sub(noon).Hours())
		if l.Late {
			s += " late"
		}
		if l.AfterFall {
			s += " after"
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func TestWhatWasChartedOnlyLater(t *testing.T) {
	w := func(at, recorded float64) clinical.Version { return weight("w", at, recorded, 70) }
	fromAdmission := clinical.Version{Kind: clinical.KindCondition, SourceID: "c", StayID: "S", Status: clinical.Final, Body: clinical.Condition{ICD10: "G20"}}
	admittedEarlier := with(version("S", -1, clinical.Stay{PatientID: "P", Unit: "4W", AdmittedAt: hour(-101)}), clinical.Corrected)
	for _, c := range []struct {
		name     string
		versions []clinical.Version
		want     string
	}{
		{"known in time", []clinical.Version{w(-8, -7)}, ""},
		{"recorded at the very moment", []clinical.Version{w(-8, -6)}, ""},
		{"recorded just after it", []clinical.Version{w(-8, -5.5)}, "w new -8>-5.5 late"},
		{"of the very moment", []clinical.Version{w(-6, -5)}, "w new -6>-5 late"},
		{"between the moment and the fall", []clinical.Version{w(-5, -4)}, "w new -5>-4"},
		{"recorded at the fall", []clinical.Version{w(-8, -2)}, "w new -8>-2 late after"},
		{"recorded after the fall", []clinical.Version{w(-5, -1)}, "w new -5>-1 after"},
		{"of the time of the fall", []clinical.Version{w(-2, -1)}, ""},
		{"recorded now", []clinical.Version{w(-8, 0)}, "w new -8>0 late after"},
		{"not recorded yet", []clinical.Version{w(-8, 0.5)}, ""},
		{"corrected after the fall", []clinical.Version{w(-8, -7), with(weight("w", -8, -1, 60), clinical.Corrected)}, "w changed -8>-1 late after"},
		{"charted late and corrected", []clinical.Version{w(-8, -5), weight("w", -8, -1, 60)}, "w new -8>-5 late; w changed -8>-1 late after"},
		{"corrected to a time after the fall", []clinical.Version{w(-8, -7), weight("w", -1, -0.5, 70)}, ""},
		{"taken back after the fall", []clinical.Version{w(-8, -7), takenBack(w(0, 0), -1)}, "w taken_back -8>-1 late after"},
		{"taken back before the moment", []clinical.Version{w(-8, -7.5), takenBack(w(0, 0), -7)}, ""},
		{"taken back and entered again", []clinical.Version{w(-8, -7.5), takenBack(w(0, 0), -7), w(-8, -1)}, "w new -8>-1 late after"},
		{"moved to another stay", []clinical.Version{w(-8, -7), of(w(-8, -3), "T")}, "w moved -8>-3 late"},
		{"moved twice", []clinical.Version{w(-8, -7), of(w(-8, -1), "U"), of(w(-8, -3), "T")}, "w moved -8>-3 late"},
		{"moved twice, in order", []clinical.Version{w(-8, -7), of(w(-8, -3), "T"), of(w(-8, -1), "U")}, "w moved -8>-3 late"},
		{"moved here and back", []clinical.Version{of(w(-8, -7.5), "T"), w(-8, -7), of(w(-8, -3), "T")}, "w moved -8>-3 late"},
		{"back at the very moment is before it", []clinical.Version{of(w(-8, -6), "T"), weight("w", -8, -6, 70), of(w(-8, -3), "T")}, "w moved -8>-3 late"},
		{"taken back, then another stay's", []clinical.Version{w(-8, -7), takenBack(w(0, 0), -4), of(w(-8, -3), "T")}, "w moved -8>-3 late"},
		{"changed, then moved", []clinical.Version{w(-8, -7), w(-8, -5), of(w(-8, -3), "T")}, "w moved -8>-3 late"},
		{"moved by an admission that was corrected", []clinical.Version{fromAdmission, of(version("c", -100.5, clinical.Condition{ICD10: "G20"}), "T"), admittedEarlier},
			"S changed -101>-1 late after"}, // no version of the condition was recorded later
		{"two moved", []clinical.Version{w(-8, -7), of(w(-8, -3), "T"), weight("x", -8, -7, 1), of(weight("x", -8, -5, 1), "T")}, "x moved -8>-5 late; w moved -8>-3 late"},
		{"taken back without having been charted", []clinical.Version{of(takenBack(w(0, 0), -1), "S")}, "w taken_back never>-1 late after"},
		{"an order taken back", []clinical.Version{order(-8, -8, nil), takenBack(order(0, 0, nil), -1)}, "o taken_back -8>-1 late after"},
		{"moved before the moment", []clinical.Version{w(-8, -7.5), of(w(-8, -7), "T")}, ""},
		{"moved away in time to come", []clinical.Version{w(-8, -7), of(w(-8, 0.5), "T")}, ""},
		{"moved here from another stay", []clinical.Version{of(w(-8, -7), "T"), w(-8, -3)}, "w new -8>-3 late"},
		{"moved away and back", []clinical.Version{w(-8, -7), of(w(-8, -4), "T"), w(-8, -3)}, "w new -8>-3 late"},
		{"the fall that is looked at", []clinical.Version{version("fall", -1, clinical.Fall{FellAt: hour(-3)})}, ""},
		{"an earlier fall", []clinical.Version{version("other", -1, clinical.Fall{FellAt: hour(-8)})}, "other new -8>-1 late after"},
		{"another fact with the fall's id", []clinical.Version{weight("fall", -8, -1, 70)}, "fall new -8>-1 late after"},
		{"a condition, which has no time", []clinical.Version{version("c", -3, clinical.Condition{ICD10: "G20"})}, "c new never>-3 late"},
		{"a transfer", []clinical.Version{admitted(-5, "7E")}, "S changed -5>-5"},
		{"a transfer after the fall", []clinical.Version{admitted(-1, "7E")}, ""},
		{"a corrected stay", []clinical.Version{with(admitted(-1, "7E"), clinical.Corrected)}, "S changed -100>-1 late after"},
		{"an amended stay", []clinical.Version{with(admitted(-1, "7E"), clinical.Amended)}, "S changed -100>-1 late after"},
		{"an order charted late", []clinical.Version{order(-5, -8, nil)}, "o new -8>-5 late"},
		{"an order changed", []clinical.Version{order(-8, -8, nil), order(-5, -8, nil)}, "o changed -5>-5"},
		{"an order changed after the fall", []clinical.Version{order(-8, -8, nil), order(-1, -8, nil)}, ""},
		{"an order put right", []clinical.Version{order(-8, -8, nil), with(order(-1, -8, nil), clinical.Corrected)}, "o changed -8>-1 late after"},
		{"an order stopped, charted late", []clinical.Version{order(-8, -8, nil), with(order(-1, -8, ptr(-7.0)), clinical.Stopped)}, "o changed -7>-1 late after"},
		{"an order stopped with an end ahead", []clinical.Version{order(-8, -8, nil), with(order(-5, -8, ptr(3.0)), clinical.Stopped)}, "o changed -5>-5"},
		{"an order whose end was known", []clinical.Version{order(-8, -8, ptr(-7.0)), with(order(-5, -8, ptr(-7.0)), clinical.Stopped)}, "o changed -5>-5"},
		{"an order whose end moved", []clinical.Version{order(-8, -8, ptr(-6.5)), order(-5, -8, ptr(-7.0))}, "o changed -7>-5 late"},
		{"a precaution charted late", []clinical.Version{bedAlarm(-5, -8, nil)}, "p new -8>-5 late"},
		{"a precaution that ended", []clinical.Version{bedAlarm(-8, -8, nil), bedAlarm(-1, -8, ptr(-7.0))}, "p changed -7>-1 late after"},
		{"a precaution that ended after the fall", []clinical.Version{bedAlarm(-8, -8, nil), bedAlarm(-1, -8, ptr(-1.5))}, ""},
		{"a precaution sent again", []clinical.Version{bedAlarm(-8, -8, ptr(-7.0)), bedAlarm(-5, -8, ptr(-7.0))}, "p changed -8>-5 late"},
		{"in order of time", []clinical.Version{weight("b", -7, -1, 1), weight("a", -8, -1, 1), weight("c", -8, -3, 1), version("a", -1, clinical.Treatment{GivenAt: hour(-8)})},
			"c new -8>-3 late; a new -8>-1 late after; a new -8>-1 late after; b new -7>-1 late after"},
	} {
		if got := later(c.versions...); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestWhatWasSaidBeforeStandsBesideWhatIsSaid(t *testing.T) {
	versions := []clinical.Version{
		admitted(-100, "4W"), weight("w", -8, -7, 70), weight("w", -8, -4, 65), weight("w", -8, -1, 60), weight("x", -8, -3, 50),
		weight("y", -8, -7, 40), takenBack(weight("y", 0, 0, 0), -1),
	}
	kg := func(b clinical.Body) string {
		if b == nil {
			return "-"
		}
		return fmt.Sprint(b.(clinical.Weight).KG)
	}
	var got []string
	for _, l := range ChartedLater("S", "", versions, hour(-6), hour(-2), noon) {
		got = append(got, l.SourceID+" "+kg(l.Before)+">"+kg(l.Says))
	}
	// The versions of w both stand beside what was known at the moment.
	if want := "w 70>65; x ->50; w 70>60; y 40>-"; strings.Join(got, "; ") != want {
		t.Errorf("%s, want %s", strings.Join(got, "; "), want)
	}
}

func owed(d trends.Digest) string {
	a := Assess(d, clinical.DefaultPolicy(), time.UTC, noon)
	o := OwedAt(a, clinical.DefaultPolicy(), time.UTC)
	var out []string
	for _, r := range o.Rechecks {
		out = append(out, fmt.Sprintf("%s %v>%v %s", r.Rule, r.Trigger.Sub(noon).Hours(), r.Due.Sub(noon).Hours(), r.State))
	}
	for _, p := range o.Precautions {
		out = append(out, fmt.Sprintf("%s since %v", p.What, p.Since.Sub(noon).Hours()))
	}
	return strings.Join(out, "; ")
}

func inPlace(d trends.Digest, what string, from float64, to ...float64) trends.Digest {
	f := trends.PrecautionFact{SourceID: what, What: what, From: hour(from)}
	if len(to) > 0 {
		end := hour(to[0])
		f.To = &end
	}
	d.Precautions = append(append([]trends.PrecautionFact{}, d.Precautions...), f)
	return d
}

// allButAlarm has the policy's bundle in place since admission: assisted rising, call
// light, footwear, low bed and toileting.
func allButAlarm(d trends.Digest) trends.Digest {
	for _, what := range clinical.DefaultPolicy().Precautions.Bundle {
		d = inPlace(d, what, -90)
	}
	return d
}

func TestWhatWasOwedAndSinceWhen(t *testing.T) {
	fell := func(at float64) trends.Digest { return allButAlarm(withFall(young(), at, "none")) }
	answered := func(at float64) trends.Digest {
		d := fell(at)
		d.Sets = []trends.Set{negative(at + 1)}
		return d
	}
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"nothing", young(), ""},
		{"a recheck that is due at the moment", fell(-4), "R-ADMIT -100>-76 overdue; R-FALL -4>0 due; bed alarm since -4"},
		{"missing since the fall", answered(-20), "R-WEEKLY -19>149 scheduled; bed alarm since -20"},
		{"put in place and ended", inPlace(answered(-20), "bed alarm", -18, -10), "R-WEEKLY -19>149 scheduled; bed alarm since -10"},
		{"put in place", inPlace(answered(-20), "bed alarm", -1), "R-WEEKLY -19>149 scheduled"},
		{"ended at the moment itself", inPlace(answered(-20), "bed alarm", -18, 0), "R-WEEKLY -19>149 scheduled; bed alarm since 0"},
		{"one that ended before it was asked for", inPlace(answered(-20), "bed alarm", -40, -30), "R-WEEKLY -19>149 scheduled; bed alarm since -20"},
		{"two spells with a gap", inPlace(inPlace(answered(-20), "bed alarm", -19, -15), "bed alarm", -12, -5), "R-WEEKLY -19>149 scheduled; bed alarm since -5"},
	} {
		if got := owed(c.stay); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

// A precaution that the clearing of a positive set made needless, and a further one
// made needed, is missing since the further one alone.
func TestMissingBeginsAnewAfterClearing(t *testing.T) {
	d := withSets(young(), positive(-60), negative(-40), negative(-30), positive(-10))
	for _, what := range clinical.DefaultPolicy().Precautions.Bundle[1:] {
		d = inPlace(d, what, -90)
	}
	d.Serial = trends.ClearingOf(d.Sets, nil, clinical.DefaultPolicy())
	if got, want := owed(d), clinical.DefaultPolicy().Precautions.Bundle[0]+" since -10"; !strings.HasSuffix(got, want) {
		t.Errorf("%s, want it to end with %s", got, want)
	}
}

func TestWhetherASetFollowedTheFall(t *testing.T) {
	p := clinical.DefaultPolicy() // four hours after a fall
	tell := func(d trends.Digest, at float64, injury string) string {
		a := SetsAfterFall(d, trends.FallFact{SourceID: "fall", At: hour(at), Injury: injury}, p)
		out := a.State
		if !a.DueAt.IsZero() {
			out += fmt.Sprintf(" due %v", a.DueAt.Sub(noon).Hours())
		}
		if a.First != nil {
			out += fmt.Sprintf(" first %v", a.First.StartedAt.Sub(noon).Hours())
		}
		if a.Read != nil {
			out += fmt.Sprintf(" read %v", a.Read.StartedAt.Sub(noon).Hours())
		}
		return out
	}
	for _, c := range []struct {
		name   string
		sets   []trends.Set
		at     float64
		injury string
		want   string
	}{
		{"none, overdue", nil, -5, "none", "missing due -1"},
		{"none, due now", nil, -4, "none", "open due 0"},
		{"one before the fall", []trends.Set{negative(-6)}, -5, "", "missing due -1"},
		{"one at the very time", []trends.Set{negative(-5)}, -5, "", "in_time due -1 first -5 read -5"},
		{"one at the due time", []trends.Set{positive(-1)}, -5, "minor", "in_time due -1 first -1 read -1"},
		{"one later", []trends.Set{positive(-0.5)}, -5, "minor", "late due -1 first -0.5 read -0.5"},
		{"one that cannot be read", []trends.Set{unreadable(-3)}, -5, "minor", "missing due -1 first -3"},
		{"one that cannot, then others", []trends.Set{unreadable(-3), negative(-2), positive(-1)}, -5, "minor", "in_time due -1 first -3 read -2"},
		{"one before the fall and one after", []trends.Set{negative(-6), positive(-2)}, -5, "minor", "in_time due -1 first -2 read -2"},
		{"the patient died", []trends.Set{negative(-6)}, -5, "death", "not_owed"},
	} {
		if got := tell(withSets(young(), c.sets...), c.at, c.injury); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestTheHuddleBeforeAMoment(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ at, huddle, want string }{
		{"2026-11-02T09:00:00+01:00", "07:00", "2026-11-02T07:00:00+01:00"},
		{"2026-11-02T07:00:00+01:00", "07:00", "2026-11-01T07:00:00+01:00"}, // one that begins then is not before
		{"2026-11-02T06:59:00+01:00", "07:00", "2026-11-01T07:00:00+01:00"},
		{"2026-11-01T00:10:00+01:00", "07:00", "2026-10-31T07:00:00+01:00"}, // the first of a month
		{"2026-10-25T07:30:00+01:00", "07:00", "2026-10-25T07:00:00+01:00"}, // the clocks went back that night
		{"2026-10-25T06:30:00+01:00", "07:00", "2026-10-24T07:00:00+02:00"},
		{"2026-03-29T03:00:00+02:00", "02:30", "2026-03-28T02:30:00+01:00"}, // jumped over: it begins at the jump, 03:00
		{"2026-03-29T03:01:00+02:00", "02:30", "2026-03-29T03:00:00+02:00"},
	} {
		at, _ := time.Parse(time.RFC3339, c.at)
		got, ok := HuddleBefore(at, clinical.UnitPolicy{Huddle: c.huddle}, zone)
		if !ok || got.Format(time.RFC3339) != c.want {
			t.Errorf("before %s at %s: %s, want %s", c.at, c.huddle, got.Format(time.RFC3339), c.want)
		}
	}
	if _, ok := HuddleBefore(noon, clinical.UnitPolicy{Huddle: "seven"}, zone); ok {
		t.Error("a time that is none was read")
	}
}
