package alerts

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// sameAnswer is how soon after another an answer takes its place and is not counted again:
// somebody put the first one right.
const sameAnswer = 5 * time.Minute

// moved is a demand after R-ANSWER: the latest answer that counts moves its due time. It
// meets nothing.
func (s situation) moved(i Instance) Instance {
	answers := s.answersTo(i)
	i.Answered = len(answers)
	if limit, limited := s.answersThatCount(i.Rule); limited {
		i.AskProvider = len(answers) > 0 && len(answers) >= limit
		answers = answers[:min(limit, len(answers))]
	}
	if len(answers) == 0 {
		return i
	}
	last := answers[len(answers)-1]
	due := last.At.Add(clinical.Hours(last.Hours(s.policy.Recheck)))
	if i.Rule == RVolume && !due.After(s.at) {
		return i // it is due at the moment itself
	}
	i.Due, i.Answer = due, &last
	return i
}

// answersThatCount is how many answers may put off one demand of a rule; limited is false
// where any number may.
func (s situation) answersThatCount(rule string) (limit int, limited bool) {
	switch rule {
	case RVolume:
		return 0, false
	case RFall, RStopped:
		return s.policy.Recheck.AnswersThatCountUrgent, true
	}
	return s.policy.Recheck.AnswersThatCount, true
}

// answersTo lists the answers that could move a demand, in their order; of those less than
// five minutes apart the last.
func (s situation) answersTo(i Instance) []trends.AnswerFact {
	var out []trends.AnswerFact
	for _, a := range s.Answers {
		if !s.canMove(a, i) {
			continue
		}
		if n := len(out); n > 0 && a.At.Sub(out[n-1].At) < sameAnswer {
			out[n-1] = a
			continue
		}
		out = append(out, a)
	}
	return out
}

// canMove: an answer moves what was due or overdue when it was given, and nothing before
// its own due time. R-VOLUME must have held then, too.
func (s situation) canMove(a trends.AnswerFact, i Instance) bool {
	p := s.policy.Recheck
	if i.Rule == RVolume {
		return s.volumeOwed(trends.NetOver48h(s.Digest, s.policy.Fluid, a.At), a.At)
	}
	wasDue := !i.Trigger.After(a.At) && !i.Due.After(a.At.Add(clinical.Hours(p.DueWithinHours)))
	return wasDue && !a.At.Add(clinical.Hours(a.Hours(p))).Before(i.Due)
}

// putOff reports whether an answer has moved a demand before it ended: was met, or fell
// away. The zero end is that of one that still stands. It is not asked of R-VOLUME.
func (s situation) putOff(i Instance, end time.Time) bool {
	if limit, _ := s.answersThatCount(i.Rule); limit == 0 {
		return false
	}
	return slices.ContainsFunc(s.Answers, func(a trends.AnswerFact) bool {
		return (end.IsZero() || a.At.Before(end)) && s.canMove(a, i)
	})
}

// Restrictions lists the limbs that must not be measured at the assessment's moment, by
// start, then source_id.
func (a Assessment) Restrictions() []trends.RestrictionFact {
	return slices.DeleteFunc(slices.Clone(a.Digest.Restrictions), func(r trends.RestrictionFact) bool { return !r.Holds(a.At) })
}
