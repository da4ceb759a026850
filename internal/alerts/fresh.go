package alerts

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// UFresh is the rule by which a list is stale.
const UFresh = "U-FRESH"

// Freshness says how new the readings are that the feeds have brought of the patients of
// a list.
type Freshness struct {
	Newest *time.Time // when the newest was taken; nil where there is none
	Stale  bool       // it is older than the policy says, or there is none, and somebody is listed
	// Came is, by kind of fact, when the feeds last said something of these patients (the
	// latest recorded_at); nil where nobody looked. What they never said is not in it.
	Came map[clinical.Kind]time.Time
}

// CameKinds are the kinds of fact of which it is told when they last came, in that order.
var CameKinds = []clinical.Kind{
	clinical.KindVitals, clinical.KindOrder, clinical.KindDose, clinical.KindFluid, clinical.KindWeight,
	clinical.KindLab, clinical.KindPrecaution, clinical.KindFall,
}

// FreshnessOf is U-FRESH, for a list and its moment. Readings taken here say nothing of
// the feeds.
func FreshnessOf(list []Assessment, p clinical.UnitPolicy, at time.Time) Freshness {
	newest := make([]*time.Time, len(list))
	for n, a := range list {
		newest[n] = a.Digest.NewestVitals
	}
	return FreshnessBy(newest, p, at)
}

// FreshnessBy is FreshnessOf by what it needs of a list: of each patient, when the newest
// reading was taken, nil where there is none.
func FreshnessBy(patients []*time.Time, p clinical.UnitPolicy, at time.Time) Freshness {
	var f Freshness
	for _, newest := range patients {
		if newest != nil && (f.Newest == nil || newest.After(*f.Newest)) {
			f.Newest = newest
		}
	}
	f.Stale = len(patients) > 0 && (f.Newest == nil || at.Sub(*f.Newest) > clinical.Hours(p.StaleAfterHours))
	return f
}

// Figures of a quiet patient, all policy: the gaps of trends.LooksKept count, of which so many times
// the median may pass; readings so close together are one look and leave no gap.
const (
	quietTimes = 2
	oneLook    = 15 * time.Minute
)

// QuietSince is from when on readings tell how often the patients of a unit are measured.
func QuietSince(at time.Time) time.Time { return at.Add(-trends.LooksKept) }

// QuietAfter is how old a patient's newest vital sign may be before that is said: twice the
// median gap between the looks at each patient of the unit in the last 7 days, and at least
// the hours after which a list is stale. patients are the times of each one's readings from
// the feeds, in any order.
func QuietAfter(patients [][]time.Time, p clinical.UnitPolicy, at time.Time) time.Duration {
	var gaps []time.Duration
	for _, times := range patients {
		gaps = append(gaps, gapsOf(times, at)...)
	}
	after := clinical.Hours(p.StaleAfterHours)
	median, _ := clinical.Median(gaps)
	return max(after, quietTimes*median)
}

// QuietAfterOf is QuietAfter by the digests of all patients of a unit at a moment.
func QuietAfterOf(list []Assessment, p clinical.UnitPolicy, at time.Time) time.Duration {
	patients := make([][]time.Time, len(list))
	for n, a := range list {
		patients[n] = a.Digest.Looks
	}
	return QuietAfter(patients, p, at)
}

// gapsOf are the times between the looks at a patient.
func gapsOf(times []time.Time, at time.Time) []time.Duration {
	times = slices.Clone(times)
	slices.SortFunc(times, time.Time.Compare)
	var gaps []time.Duration
	var last time.Time
	for _, t := range times {
		if !t.After(QuietSince(at)) || t.After(at) {
			continue
		}
		if gap := t.Sub(last); !last.IsZero() && gap > oneLook {
			gaps = append(gaps, gap)
		}
		last = t
	}
	return gaps
}

// Quiet reports whether the newest vital sign of a patient from the feeds is older than after,
// or none has come for as long since admission. Nobody waits for those of who died of a fall.
func (a Assessment) Quiet(after time.Duration) bool {
	if a.Died() {
		return false
	}
	newest := a.Digest.NewestVitals
	if newest == nil {
		newest = &a.Digest.Stay.AdmittedAt
	}
	return a.At.Sub(*newest) > after
}
