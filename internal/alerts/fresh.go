package alerts

import (
	"time"

	"plumbline/internal/clinical"
)

// UFresh is the rule by which a list is stale.
const UFresh = "U-FRESH"

// Freshness says how new the readings are that the feeds have brought of the patients of
// a list.
type Freshness struct {
	Newest *time.Time // when the newest was taken; nil where there is none
	Stale  bool       // it is older than the policy says, or there is none, and somebody is listed
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
