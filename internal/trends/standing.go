package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// RestrictionFact is a limb that must not be measured, over [From, To).
type RestrictionFact struct {
	SourceID string
	Limb     string
	Reason   string
	From     time.Time
	To       *time.Time
}

// Holds reports whether the restriction had begun and not ended at t.
func (r RestrictionFact) Holds(t time.Time) bool {
	return !r.From.After(t) && (r.To == nil || r.To.After(t))
}

// AnswerFact says why a recheck that is owed was not taken (R-ANSWER).
type AnswerFact struct {
	SourceID string
	At       time.Time
	Answer   string // of clinical.Answers
	Reason   string
}

// ClearanceFact is a provider's word that the patient may stand (again).
type ClearanceFact struct {
	SourceID string
	At       time.Time
	By       string // as charted; "" where it is not
}

// Hours is for how long the answer moves what it moves (*policy*).
func (a AnswerFact) Hours(p clinical.RecheckPolicy) float64 {
	if a.Answer == clinical.DoneElsewhere {
		return p.AnswerElsewhereHours
	}
	return p.AnswerHours
}

// takeStanding takes from the chart what says who may be stood and measured, why a
// recheck was not taken, and how new the feed's readings are.
func (d *Digest) takeStanding(c clinical.Chart, p clinical.Policy) {
	for _, r := range c.Records {
		if r.Body.OwnTime().After(c.AsOf) {
			continue // has not happened yet
		}
		switch b := r.Body.(type) {
		case clinical.Restriction:
			d.Restrictions = append(d.Restrictions, RestrictionFact{r.SourceID, b.Limb, b.Reason, b.StartedAt, b.EndedAt})
		case clinical.Clearance:
			d.Clearances = append(d.Clearances, ClearanceFact{r.SourceID, b.ClearedAt, b.By})
		case clinical.Answer:
			d.Answers = append(d.Answers, AnswerFact{r.SourceID, b.AnsweredAt, b.Answer, b.Reason})
		case clinical.Vitals:
			d.takeNewest(r, b, p.Plausible)
		}
	}
	d.trimLooks()
	slices.SortFunc(d.Restrictions, func(a, b RestrictionFact) int {
		return cmp.Or(a.From.Compare(b.From), strings.Compare(a.SourceID, b.SourceID))
	})
	slices.SortFunc(d.Clearances, func(a, b ClearanceFact) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.SourceID, b.SourceID))
	})
	slices.SortFunc(d.Answers, func(a, b AnswerFact) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.SourceID, b.SourceID))
	})
}

// NewestVitals is when the newest reading of a chart with a believed pressure or pulse was
// taken (U-FRESH), as in the chart's digest; nil where there is none. It looks at readings
// alone.
func NewestVitals(c clinical.Chart, p clinical.PlausiblePolicy) *time.Time {
	var d Digest
	for _, r := range c.Records {
		if b, ok := r.Body.(clinical.Vitals); ok && !b.TakenAt.After(c.AsOf) {
			d.takeNewest(r, b, p)
		}
	}
	return d.NewestVitals
}

// VitalsTimes are when the readings of a chart that NewestVitals looks at were taken, in any order.
func VitalsTimes(c clinical.Chart, p clinical.PlausiblePolicy) []time.Time {
	var out []time.Time
	for _, r := range c.Records {
		if b, ok := r.Body.(clinical.Vitals); ok && !b.TakenAt.After(c.AsOf) && ofFeed(r, Believe(r.SourceID, b, p)) {
			out = append(out, b.TakenAt)
		}
	}
	return out
}

// ofFeed reports whether a feed brought a reading with a believed pressure or pulse.
func ofFeed(r clinical.Record, b Reading) bool {
	return (b.hasPressure() || b.Pulse != nil) && !r.TakenHere()
}

// takeNewest is U-FRESH: a reading that was taken here says nothing of the feed.
func (d *Digest) takeNewest(r clinical.Record, v clinical.Vitals, p clinical.PlausiblePolicy) {
	b := Believe(r.SourceID, v, p)
	if !ofFeed(r, b) {
		return
	}
	if d.NewestVitals == nil || b.At.After(*d.NewestVitals) {
		d.NewestVitals = &b.At
	}
	d.Looks = append(d.Looks, b.At)
}

// LooksKept is how long before the newest one a digest keeps when readings were taken: what tells
// how often the patients of a unit are measured (U-FRESH) looks no further back.
const LooksKept = 7 * 24 * time.Hour

// trimLooks sorts the times of the readings, and drops those of long ago.
func (d *Digest) trimLooks() {
	slices.SortFunc(d.Looks, time.Time.Compare)
	n := slices.IndexFunc(d.Looks, func(t time.Time) bool { return t.After(d.NewestVitals.Add(-LooksKept)) })
	d.Looks = slices.Clone(d.Looks[max(0, n):])
}

// fluidsFrom is the beginning of the time of which fluids are kept: the 48 h before the
// digest's moment, those before each answer that may still move R-VOLUME, and the time
// looked back for blood loss.
func (d *Digest) fluidsFrom(p clinical.Policy) time.Time {
	from := d.AsOf
	for _, a := range d.Answers {
		if a.At.Add(clinical.Hours(a.Hours(p.Recheck))).After(d.AsOf) {
			from = a.At // by time: the first is the earliest
			break
		}
	}
	from = from.Add(-fluidWindow)
	if bleed := d.AsOf.Add(-clinical.Hours(p.Causes.BleedWindowHours)); bleed.Before(from) {
		return bleed
	}
	return from
}

// blocks reports whether an injury blocks standing until somebody clears the patient.
func blocks(injury string) bool { return injury == "moderate" || injury == "major" }

// BlocksFrom is the moment at or after which a clearance, or a set that shows that the
// patient stands, ends the block of the fall; ok is false where its injury blocks nothing.
func (f FallFact) BlocksFrom() (t time.Time, ok bool) {
	return latest(f.At, f.FoundAt), blocks(f.Injury)
}

// foundAt is the recording of the version since which a fall has stood at moderate or
// major without a break, where an earlier version of it said less: an injury that is
// found later blocks anew. Else it is the zero time.
func foundAt(r clinical.Record) time.Time {
	first := len(r.History)
	for first > 0 && blocks(injuryOf(r.History[first-1])) {
		first--
	}
	saidLess := func(v clinical.Version) bool { return injuryOf(v) != "death" }
	if first == len(r.History) || !slices.ContainsFunc(r.History[:first], saidLess) {
		return time.Time{}
	}
	return r.History[first].RecordedAt
}

// injuryOf is the injury that a version of a fall states, "" in a retraction.
func injuryOf(v clinical.Version) string {
	b, _ := v.Body.(clinical.Fall)
	if v.Removed() {
		return ""
	}
	return b.Injury
}

// codedOf takes a coded condition, with the recording of the first version since which
// its code has stood without a break: sending it again changes nothing.
func codedOf(r clinical.Record, b clinical.Condition) Coded {
	code := normalICD(b.ICD10)
	first := len(r.History) - 1
	for first > 0 && codeOf(r.History[first-1]) == code {
		first--
	}
	return Coded{r.SourceID, code, b.ICD10, b.Text, r.History[first].RecordedAt}
}

func codeOf(v clinical.Version) string {
	b, _ := v.Body.(clinical.Condition)
	if v.Removed() {
		return ""
	}
	return normalICD(b.ICD10)
}
