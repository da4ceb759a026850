package feed

import (
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// clockSkew is how far ahead of its charting a thing may have happened.
const clockSkew = 5 * time.Minute

// Ahead says which time of a fact lies more than 5 minutes after it was recorded, or after
// now, though it is said to have happened; "" where none does. Plans may lie ahead.
func Ahead(v clinical.Version, now time.Time) string {
	limit := now
	if !v.RecordedAt.IsZero() && v.RecordedAt.Before(now) {
		limit = v.RecordedAt
	}
	limit = limit.Add(clockSkew)
	for _, h := range happened(v.Body) {
		if h.at.After(limit) {
			return h.name + " " + h.at.UTC().Format(time.RFC3339) + aheadWords
		}
	}
	return ""
}

const aheadWords = " lies more than 5 minutes after it was recorded or read"

// AheadUntil is the moment from which a row is not ahead of the clock any more, by the reason
// for which Ahead refused it; zero for any other reason. One that lies after what it says
// itself of when it was recorded is refused then, too.
func AheadUntil(reason string) time.Time {
	said, is := strings.CutSuffix(reason, aheadWords)
	if !is {
		return time.Time{}
	}
	at, err := time.Parse(time.RFC3339, said[strings.LastIndexByte(said, ' ')+1:])
	if err != nil {
		return time.Time{}
	}
	return at.Add(time.Second - clockSkew) // the words leave out fractions
}

// named is a time under the name of its column.
type named struct {
	name string
	at   time.Time
}

// happened are the times of a fact that are said to have happened.
func happened(body clinical.Body) []named {
	switch b := body.(type) {
	case clinical.Stay:
		return []named{{"admitted_at", b.AdmittedAt}}
	case clinical.Vitals:
		return []named{{"taken_at", b.TakenAt}}
	case clinical.Dose:
		return []named{{"given_at", b.GivenAt}}
	case clinical.Fluid:
		return []named{{"from", b.From}, {"to", b.To}}
	case clinical.Weight:
		return []named{{"measured_at", b.MeasuredAt}}
	case clinical.Lab:
		return []named{{"taken_at", b.TakenAt}}
	case clinical.Precaution:
		return []named{{"started_at", b.StartedAt}}
	case clinical.Fall:
		return []named{{"fell_at", b.FellAt}}
	case clinical.Clearance:
		return []named{{"cleared_at", b.ClearedAt}}
	case clinical.Answer:
		return []named{{"answered_at", b.AnsweredAt}}
	case clinical.Treatment:
		return []named{{"given_at", b.GivenAt}}
	}
	return nil
}
