package alerts

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/trends"
)

// diedAt is the earliest fall with injury death, nil where there is none: no rule asks
// for a recheck after it.
func (s situation) diedAt() *time.Time {
	for n, f := range s.Falls {
		if f.Injury == "death" {
			return &s.Falls[n].At
		}
	}
	return nil
}

// DiedOf is when the patient fell who died of it by what is charted, nil where none did: nothing
// is owed to the patient any more. Where a set was taken at or after that fall the chart
// contradicts itself (C-FATAL), and that alone is told.
func (a Assessment) DiedOf() *time.Time { return situation{Digest: a.Digest}.diedAt() }

// Died reports whether the patient died of a fall by what is charted: see DiedOf.
func (a Assessment) Died() bool { return a.DiedOf() != nil }

// clearance is the first word of a provider at or after a moment that the patient may
// stand, nil where there is none.
func (s situation) clearance(t time.Time) *trends.ClearanceFact {
	n := slices.IndexFunc(s.Clearances, func(c trends.ClearanceFact) bool { return !c.At.Before(t) })
	if n < 0 {
		return nil
	}
	return &s.Clearances[n]
}

func (s situation) clearedSince(t time.Time) bool { return s.clearance(t) != nil }

// stood is the first set at or after a moment that shows that the patient stands, nil
// where there is none: sitting up or fainting does not show it.
func (s situation) stood(t time.Time) *trends.Set {
	n := slices.IndexFunc(s.Sets, func(set trends.Set) bool {
		return set.Interpretable() && !set.StartedAt.Before(t) && !set.Meets(trends.CritStopped) && set.TestedStanding()
	})
	if n < 0 {
		return nil
	}
	return &s.Sets[n]
}

func (s situation) stoodSince(t time.Time) bool { return s.stood(t) != nil }

// Lifted is what ended the block of a fall with an injury: the word of a provider, or else the
// first set that showed that the patient stands. Both are nil where the block stands, and where
// the fall blocks nothing (any more) or is gone.
func (a Assessment) Lifted(fall string) (*trends.ClearanceFact, *trends.Set) {
	s := situation{Digest: a.Digest}
	for _, f := range s.Falls {
		if from, blocks := f.BlocksFrom(); blocks && f.SourceID == fall {
			if c := s.clearance(from); c != nil {
				return c, nil
			}
			return nil, s.stood(from)
		}
	}
	return nil, nil
}

// blockingFalls are the falls whose injury blocks standing: nobody has cleared the patient
// since, and no set has shown that the patient stands.
func (s situation) blockingFalls() []trends.FallFact {
	var out []trends.FallFact
	for _, f := range s.Falls {
		if from, blocks := f.BlocksFrom(); blocks && !s.clearedSince(from) && !s.stoodSince(from) {
			out = append(out, f)
		}
	}
	return out
}

// beforeStanding says what is to be done before the patient stands, whether or not a
// recheck is owed: about injuries of falls, then about a coded fracture. None after a
// fall with injury death.
func (s situation) beforeStanding() []string {
	out := []string{}
	if s.diedAt() != nil {
		return out
	}
	neverCleared := func(f trends.FallFact) bool {
		from, blocks := f.BlocksFrom()
		return blocks && !s.clearedSince(from)
	}
	unknown := func(f trends.FallFact) bool {
		return f.Injury == "" && !s.clearedSince(f.At) && !s.stoodSince(f.At)
	}
	switch {
	case len(s.blockingFalls()) > 0:
		out = append(out, InjuryUncleared)
	case slices.ContainsFunc(s.Falls, neverCleared):
		out = append(out, InjuryNoClearance)
	}
	if slices.ContainsFunc(s.Falls, unknown) {
		out = append(out, InjuryUnknown)
	}
	if code := s.fracture(); code != "" {
		out = append(out, FractureCoded+" "+code)
	}
	return out
}

// FractureOf is the code of a FractureCoded hindrance; ok is false for another.
func FractureOf(hindrance string) (code string, ok bool) {
	return strings.CutPrefix(hindrance, FractureCoded+" ")
}

// fractures begin the codes of fractures (ICD-10), without their dots.
var fractures = []string{
	"S02", "S12", "S22", "S32", "S42", "S72", "S82", "S92", "T02", "T08", "T12",
	"M80", "M843", "M844", "M845", "M846", "M847", "M97",
}

// fracture is the coded fracture to ask about: one since whose coding no provider has
// said that the patient may stand; the latest, then the smallest code. "" is none.
func (s situation) fracture() string {
	var open []trends.Coded
	for _, c := range s.Conditions {
		coded := slices.ContainsFunc(fractures, func(p string) bool { return strings.HasPrefix(c.Code, p) })
		cleared := slices.ContainsFunc(s.Clearances, func(w trends.ClearanceFact) bool { return w.At.After(c.Since) })
		if coded && !cleared {
			open = append(open, c)
		}
	}
	if len(open) == 0 {
		return ""
	}
	code := slices.MinFunc(open, func(a, b trends.Coded) int {
		return cmp.Or(b.Since.Compare(a.Since), strings.Compare(a.Code, b.Code))
	}).Code
	if len(code) > 3 {
		return code[:3] + "." + code[3:]
	}
	return code
}
