package clinical

import (
	"strings"
	"time"
)

// OfPatient reports whether the version names its patient and no stay. It is then of
// the stay of this patient that covers its time, as the stays were known at the moment
// asked; until there is one it waits.
func (v Version) OfPatient() bool { return v.StayID == "" && v.PatientID != "" && v.Kind != KindStay }

// CoveredTime is the time by which a version finds its patient's stay: the fact's own, or
// when it was recorded where the fact has none.
func (v Version) CoveredTime() time.Time {
	if v.Body != nil {
		if t := v.Body.OwnTime(); !t.IsZero() {
			return t
		}
	}
	return v.RecordedAt
}

// KnownStay is a stay as it was known at a moment.
type KnownStay struct {
	ID string
	Stay
}

// StayOf is the stay of a patient that covers a time, from admission until discharge,
// that moment excluded: of several the one admitted last, then the one with the larger
// id. It is empty where there is none.
func StayOf(stays []KnownStay, patientID string, t time.Time) string {
	var best KnownStay
	for _, s := range stays {
		if s.PatientID != patientID || s.AdmittedAt.After(t) || s.DischargedAt != nil && !s.DischargedAt.After(t) {
			continue
		}
		later := s.AdmittedAt.Compare(best.AdmittedAt)
		if best.ID == "" || later > 0 || later == 0 && strings.Compare(s.ID, best.ID) > 0 {
			best = s
		}
	}
	return best.ID
}

// settle gives the versions that name a patient alone the stay to which they belonged as
// the stays were known at asOf.
func settle(groups [][]Version, asOf time.Time) {
	var stays []KnownStay
	gathered := false
	for _, g := range groups {
		for n := range g {
			if !g[n].OfPatient() || g[n].Removed() && g[n].Body == nil {
				continue // a bare retraction speaks of the stay of the version before it
			}
			if !gathered {
				stays, gathered = staysAt(groups, asOf), true
			}
			g[n].StayID = StayOf(stays, g[n].PatientID, g[n].CoveredTime())
		}
	}
}

// staysAt are the stays known at asOf, but those taken back.
func staysAt(groups [][]Version, asOf time.Time) (out []KnownStay) {
	for _, g := range groups {
		if g[0].Kind != KindStay {
			continue
		}
		if r, ok := recordAt(g, asOf); ok && !r.Removed() {
			out = append(out, KnownStay{g[0].SourceID, r.Body.(Stay)})
		}
	}
	return out
}
