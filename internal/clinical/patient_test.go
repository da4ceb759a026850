package clinical

import (
	"fmt"
	"testing"
	"time"
)

// A reading that names its patient alone is of the stay that covered its time, by what was
// known at the moment asked and by nothing that came later.
func TestAFactOfAPatientIsOfTheStayThatCoveredItsTime(t *testing.T) {
	noon := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	at := func(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }
	stay := func(id, patient string, recorded, from float64, to ...float64) Version {
		b := Stay{PatientID: patient, Unit: "4W", AdmittedAt: at(from)}
		for _, h := range to {
			end := at(h)
			b.DischargedAt = &end
		}
		return Version{Kind: KindStay, SourceID: id, StayID: id, RecordedAt: at(recorded), Stated: true, Status: Final, Body: b}
	}
	weight := func(id, patient string, recorded, h float64) Version {
		return Version{Kind: KindWeight, SourceID: id, PatientID: patient, RecordedAt: at(recorded), Stated: true, Status: Final,
			Body: Weight{MeasuredAt: at(h), KG: 70}}
	}
	bare := Version{Kind: KindWeight, SourceID: "gone", RecordedAt: at(9), Stated: true, Status: EnteredInError}
	condition := Version{Kind: KindCondition, SourceID: "untimed", PatientID: "P", RecordedAt: at(2), Stated: true, Status: Final, Body: Condition{ICD10: "G20"}}
	versions := []Version{
		stay("A", "P", 0, 0), stay("A", "P", 6, 0, 4), // its discharge at 4 is known from 6 on
		stay("B", "P", 6, 4),
		stay("C", "Q", 0, 0), stay("C", "P", 20, 0), // moved to P at 20
		stay("D", "P", 7, 2, 3), {Kind: KindStay, SourceID: "D", StayID: "D", RecordedAt: at(8), Stated: true, Status: EnteredInError},
		weight("early", "P", 1, -1), // before any admission
		weight("first", "P", 1, 1),
		weight("third", "P", 3, 2.5), // for an hour of stay D
		weight("late", "P", 5, 5),    // of A until B is known
		weight("edge", "P", 7, 4),    // the moment of discharge is excluded
		weight("other", "Q", 1, 1),
		weight("moved", "Q", 1, 1), weight("moved", "P", 10, 1),
		weight("gone", "P", 1, 1), bare,
		condition,
	}
	for _, c := range []struct {
		asOf float64
		want string
	}{
		{0.5, "A[] B[] C[] D[]"},
		{1, "A[first gone] B[] C[moved other] D[]"},
		{5, "A[first gone late third untimed] B[] C[moved other] D[]"},
		{6, "A[first gone third untimed] B[late] C[moved other] D[]"},
		{7, "A[first gone] B[edge late] C[moved other] D[third untimed]"},
		{8, "A[first gone third untimed] B[edge late] C[moved other] D[]"},
		{9, "A[first third untimed] B[edge late] C[moved other] D[]"},
		{10, "A[first moved third untimed] B[edge late] C[other] D[]"},
		{20, "A[] B[edge late] C[first moved third untimed] D[]"}, // admitted together: the larger id; no stay of Q is left
	} {
		got := ""
		for _, id := range []string{"A", "B", "C", "D"} {
			var facts []string
			chart := ChartAt(id, versions, at(c.asOf))
			for _, kind := range []Kind{KindWeight, KindCondition} {
				for _, r := range chart.Records {
					if r.Kind == kind {
						facts = append(facts, r.SourceID)
					}
				}
			}
			got += fmt.Sprint(id, facts, " ")
		}
		if got != c.want+" " {
			t.Errorf("as of %v h: %s, want %s", c.asOf, got, c.want)
		}
	}
	if until := ChartAt("A", versions, at(1)).Until; !until.Equal(at(2)) {
		t.Errorf("the chart of A holds until %v, want %v", until, at(2))
	}
}
