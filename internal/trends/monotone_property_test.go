package trends

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbline/internal/clinical"
)

// drawReadings draws plausible readings of a stay within some hours.
func drawReadings(t *rapid.T) []clinical.Version {
	var out []clinical.Version
	for n := range rapid.IntRange(2, 12).Draw(t, "readings") {
		diastolic := float64(rapid.IntRange(40, 110).Draw(t, "diastolic"))
		systolic := diastolic + float64(rapid.IntRange(1, 80).Draw(t, "pulse pressure"))
		v := clinical.Vitals{
			TakenAt: noon.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "minute")) * time.Minute), Systolic: &systolic, Diastolic: &diastolic,
			Position: rapid.SampledFrom([]clinical.Position{clinical.Lying, clinical.Lying, clinical.Sitting, clinical.Standing, clinical.Standing}).Draw(t, "position"),
			SetID:    rapid.SampledFrom([]string{"", "", "A"}).Draw(t, "set"),
			Limb:     rapid.SampledFrom([]string{"", "left arm", "left arm", "right arm"}).Draw(t, "limb"),
		}
		if rapid.Bool().Draw(t, "minutes charted") {
			v.MinutesInPosition = ptr(float64(rapid.IntRange(0, 12).Draw(t, "minutes in position")))
		}
		out = append(out, clinical.Version{
			Kind: clinical.KindVitals, SourceID: fmt.Sprint("r", n), StayID: "S", RecordedAt: v.TakenAt, Stated: true, Status: clinical.Final, Body: v, Line: n,
		})
	}
	return out
}

func setsOf(versions []clinical.Version, p clinical.Policy) []Set {
	stay := clinical.Version{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: hoursOn(-10), Stated: true, Status: clinical.Final,
		Body: clinical.Stay{PatientID: "P", Unit: "4W", BirthDate: "1946-01-01", AdmittedAt: hoursOn(-10)},
	}
	return DigestOf(clinical.ChartAt("S", append([]clinical.Version{stay}, versions...), hoursOn(48)), p, time.UTC).Sets
}

// A higher pressure on standing is never a worse finding by pressure: no criterion
// of F-SYS, F-DIA or F-LOW comes, and no set becomes positive. (A set may stop
// being positive, and then be negative or inconclusive.)
func TestAHigherStandingPressureIsNeverAWorseFinding(t *testing.T) {
	byPressure := []string{CritSystolic, CritDiastolic, CritLow}
	rapid.Check(t, func(t *rapid.T) {
		p := clinical.DefaultPolicy()
		p.Sets.Comparison = rapid.SampledFrom([]string{clinical.AtLeast, clinical.MoreThan}).Draw(t, "comparison")
		versions := drawReadings(t)
		before := setsOf(versions, p)

		n := rapid.IntRange(0, len(versions)-1).Draw(t, "which")
		v := versions[n].Body.(clinical.Vitals)
		if v.Position != clinical.Standing {
			t.Skip("not standing")
		}
		up := rapid.IntRange(0, 40).Draw(t, "systolic up")
		diastolicUp := rapid.IntRange(0, up).Draw(t, "diastolic up") // stays under the systolic
		v.Systolic, v.Diastolic = ptr(*v.Systolic+float64(up)), ptr(*v.Diastolic+float64(diastolicUp))
		versions[n].Body = v
		after := setsOf(versions, p)

		if len(before) != len(after) {
			t.Fatalf("%d sets became %d", len(before), len(after))
		}
		for i, set := range after {
			for _, c := range byPressure {
				if set.Meets(c) && !before[i].Meets(c) {
					t.Fatalf("%s came by a higher pressure:\n%+v\n%+v", c, before[i], set)
				}
			}
			if set.Finding == Positive && before[i].Finding != Positive {
				t.Fatalf("positive by a higher pressure:\n%+v\n%+v", before[i], set)
			}
			if set.SystolicDrop != nil && before[i].SystolicDrop != nil && *set.SystolicDrop > *before[i].SystolicDrop {
				t.Fatalf("the drop grew from %g to %g", *before[i].SystolicDrop, *set.SystolicDrop)
			}
		}
	})
}

// What a set is called follows from what it shows.
func TestAFindingAgreesWithItsCriteriaAndQuality(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		for _, s := range setsOf(drawReadings(t), clinical.DefaultPolicy()) {
			decides := slices.ContainsFunc(s.Criteria, func(c string) bool {
				return slices.Contains([]string{CritSystolic, CritDiastolic, CritLow, CritStopped}, c)
			})
			switch {
			case decides != (s.Finding == Positive):
				t.Fatalf("%s with %v", s.Finding, s.Criteria)
			case (s.Quality == Unusable) != (s.Finding == Inconclusive):
				t.Fatalf("%s of quality %s", s.Finding, s.Quality)
			case s.Quality == Complete && len(s.QualityNotes) > 0:
				t.Fatalf("complete, and yet %v", s.QualityNotes)
			case (s.Timing == "") != (s.Sustained == ""):
				t.Fatalf("timing %q, sustained %q", s.Timing, s.Sustained)
			case s.PulseRatio != nil && s.PulseResponse == "":
				t.Fatalf("a ratio without a response: %+v", s)
			}
		}
	})
}
