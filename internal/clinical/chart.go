package clinical

import (
	"slices"
	"strings"
	"time"
)

// Record is one fact as it was known at a moment.
type Record struct {
	Version           // the version that counts
	History []Version // every version known by then, oldest first; the last one counts

	// EchoOf is the source_id of the fact taken here that this one has come back from; empty of any other.
	EchoOf string
}

// BedsideFeed is the feed under which what is charted in this program is kept.
const BedsideFeed = "bedside"

// TakenHere reports whether the fact was charted in this program, whatever feed said it
// again or corrected it since.
func (r Record) TakenHere() bool {
	return slices.ContainsFunc(r.History, func(v Version) bool { return v.Feed == BedsideFeed })
}

// BedsideStop ends the source_id of what the bedside form charts of the moment at which the
// patient was sat down, where no pressure was taken by then.
const BedsideStop = "stop"

// CouldNotRead reports whether a reading was taken here with a cuff that could not read. The
// bedside form takes a reading without figures then alone, and as a BedsideStop; a pulse
// without a pressure stands alone upright.
func (r Record) CouldNotRead() bool {
	v, ok := r.Body.(Vitals)
	return ok && v.Systolic == nil && v.Diastolic == nil && (v.HeartRate == nil || v.Position == Lying) &&
		r.TakenHere() && !strings.HasSuffix(r.SourceID, "-"+BedsideStop)
}

// Chart is what was known of one stay at a moment.
type Chart struct {
	StayID string
	AsOf   time.Time
	Stay   *Stay // nil where the stay was not known, or had been taken back

	// Records are the facts that counted for the stay, by kind and source_id. Removed are those that had been entered in error.
	Records []Record
	// Echoes are of what was taken here, as the hospital's record has it: they are used nowhere.
	Removed []Record
	Echoes  []Record

	// Until is the next moment at which what is known of the stay changes by
	// itself: a version becomes known, a planned time arrives. Until then (and
	// without new versions) the chart stays the same. Zero where none lies ahead.
	Until time.Time
}

// ChartAt tells what was known of a stay at asOf (V-VERSION). versions must
// hold every version of each fact that any version gives to the stay; those
// given to another stay by the version that counts are left out. Of a patient by
// whom a version alone is named, every version of all stays must be there too. The
// order of versions has no effect.
func ChartAt(stayID string, versions []Version, asOf time.Time) Chart {
	c := Chart{StayID: stayID, AsOf: asOf}
	groups := groupVersions(versions)
	settle(groups, asOf)

	admitted := time.Time{}
	for _, g := range groups {
		if g[0].Kind != KindStay || g[0].SourceID != stayID {
			continue
		}
		if r, ok := recordAt(g, asOf); ok && !r.Removed() {
			stay := r.Body.(Stay)
			c.Stay, admitted = &stay, stay.AdmittedAt
		}
	}
	for _, g := range groups {
		for n := range g {
			if g[n].Kind == KindCondition && !g[n].Stated {
				g[n].RecordedAt = admitted // known from admission
			}
			c.lookAhead(g[n])
		}
		r, ok := recordAt(g, asOf)
		if !ok || r.StayID != stayID {
			continue
		}
		if r.Removed() {
			c.Removed = append(c.Removed, r)
		} else {
			c.Records = append(c.Records, r)
		}
	}
	c.takeEchoes()
	return c
}

// groupVersions gathers the versions of each fact, in a copy, in an order that
// does not depend on the order given.
func groupVersions(versions []Version) [][]Version {
	vs := slices.Clone(versions)
	slices.SortStableFunc(vs, func(a, b Version) int {
		if c := kindRank(a.Kind) - kindRank(b.Kind); c != 0 {
			return c
		}
		return strings.Compare(a.SourceID, b.SourceID)
	})
	var groups [][]Version
	for start := 0; start < len(vs); {
		end := start + 1
		for end < len(vs) && vs[end].Kind == vs[start].Kind && vs[end].SourceID == vs[start].SourceID {
			end++
		}
		groups = append(groups, vs[start:end:end])
		start = end
	}
	return groups
}

func kindRank(k Kind) int { return slices.Index(Kinds, k) }

// recordAt picks, of the versions of one fact, the one that counts at asOf.
func recordAt(group []Version, asOf time.Time) (Record, bool) {
	var known []Version
	for _, v := range group {
		if v.RecordedAt.After(asOf) {
			continue
		}
		if !v.Stated && v.Body != nil {
			v.Body = v.Body.asKnownAt(asOf)
		}
		known = append(known, v)
	}
	if len(known) == 0 {
		return Record{}, false
	}
	slices.SortStableFunc(known, func(a, b Version) int {
		switch {
		case a.Before(b):
			return -1
		case b.Before(a):
			return 1
		}
		return 0
	})
	inheritIdentity(known)
	beginRestrictions(known)
	return Record{Version: known[len(known)-1], History: known}, true
}

// inheritIdentity gives a retraction that names only its source_id the stay and
// the body of the version that it takes back, for display.
func inheritIdentity(known []Version) {
	for n := 1; n < len(known); n++ {
		if known[n].Removed() && known[n].StayID == "" {
			known[n].StayID = known[n-1].StayID
		}
		if known[n].Removed() && known[n].Body == nil {
			known[n].Body = known[n-1].Body
		}
	}
}

// beginRestrictions gives each version of a restriction that does not say when it
// begins the recording of the fact's first version.
func beginRestrictions(known []Version) {
	for n, v := range known {
		if b, ok := v.Body.(Restriction); ok && b.StartedAt.IsZero() {
			b.StartedAt = known[0].RecordedAt
			known[n].Body = b
		}
	}
}

func (c *Chart) lookAhead(v Version) {
	c.ahead(v.RecordedAt)
	if v.Body != nil {
		for _, t := range v.Body.times() {
			c.ahead(t)
		}
	}
}

func (c *Chart) ahead(t time.Time) {
	if t.After(c.AsOf) && (c.Until.IsZero() || t.Before(c.Until)) {
		c.Until = t
	}
}

// OnUnit reports whether the stay was on the unit's list at the chart's moment.
func (c Chart) OnUnit(unit string) bool { return c.Stay != nil && c.Stay.OnUnit(unit, c.AsOf) }

// OnUnit reports whether the stay, as this version has it, is on the unit's list
// at a moment: from admission until discharge, that moment excluded.
func (b Stay) OnUnit(unit string, at time.Time) bool {
	return b.Unit == unit && !b.AdmittedAt.After(at) && (b.DischargedAt == nil || b.DischargedAt.After(at))
}
