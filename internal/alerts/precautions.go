package alerts

import (
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Precautions says which falls precautions the rules ask for and which are in
// place. InPlace and Missing are nil where the site's feeds carry none, and none was
// charted here.
type Precautions struct {
	Needed  bool
	InPlace []string
	Missing []string
	Facts   []string // for which they are needed
}

// precautions holds the bundle against what is in place.
func (s situation) precautions() Precautions {
	latest := s.LatestInterpretable()
	positiveOpen := s.LatestPositive() != nil && !s.Serial.Cleared
	p := Precautions{
		Needed: positiveOpen || len(s.Falls) > 0 || s.unreadLatest() != nil ||
			latest != nil && (latest.Finding == trends.Positive || latest.Finding == trends.SymptomsOnly),
	}
	if positiveOpen {
		p.Facts = append(p.Facts, s.LatestPositive().Facts...)
	}
	if latest != nil && latest.Finding == trends.SymptomsOnly {
		p.Facts = append(p.Facts, latest.Facts...)
	}
	if set := s.unreadLatest(); set != nil {
		p.Facts = append(p.Facts, set.Facts...)
	}
	for _, f := range s.Falls {
		p.Facts = append(p.Facts, f.SourceID)
	}
	if !s.policy.Precautions.InFeed && !slices.ContainsFunc(s.Precautions, func(f trends.PrecautionFact) bool { return f.Here }) {
		return p
	}
	p.InPlace, p.Missing = []string{}, []string{}
	for _, word := range clinical.Precautions {
		for _, f := range s.Precautions {
			if f.What == word && f.InPlace(s.at) && !slices.Contains(p.InPlace, word) {
				p.InPlace = append(p.InPlace, word)
			}
		}
	}
	if p.Needed {
		for _, word := range s.bundle() {
			if !slices.Contains(p.InPlace, word) {
				p.Missing = append(p.Missing, word)
			}
		}
	}
	return p
}

// Bundle is what the rules ask for of a stay for which precautions are needed.
func Bundle(d trends.Digest, p clinical.Policy) []string {
	return situation{Digest: d, policy: p}.bundle()
}

// unreadLatest is the latest set where it says nothing of pressures and has symptoms.
func (s situation) unreadLatest() *trends.Set {
	if set := s.LatestSet(); set != nil && set.Unread() {
		return set
	}
	return nil
}

// bundle is the policy's bundle, and what is added to it after a fall or a
// symptom-limited set that has not been cleared.
func (s situation) bundle() []string {
	out := slices.Clone(s.policy.Precautions.Bundle)
	stopped := !s.Serial.Cleared && slices.ContainsFunc(s.Sets, func(set trends.Set) bool {
		return set.Meets(trends.CritStopped)
	})
	if stopped || len(s.Falls) > 0 {
		for _, word := range s.policy.Precautions.Added {
			if !slices.Contains(out, word) {
				out = append(out, word)
			}
		}
	}
	return out
}
