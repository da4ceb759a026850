package alerts

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// answered adds answers, named by their order, at hours.
func answered(d trends.Digest, what string, at ...float64) trends.Digest {
	d.Answers = slices.Clone(d.Answers)
	for _, h := range at {
		d.Answers = append(d.Answers, trends.AnswerFact{SourceID: fmt.Sprint(what, " ", h), At: hour(h), Answer: what})
	}
	slices.SortStableFunc(d.Answers, func(a, b trends.AnswerFact) int { return a.At.Compare(b.At) })
	return d
}

// shown tells the recheck shown: its rule, when it is due, and by which answer.
func shown(a Assessment) string {
	if a.Recheck.DueAt == nil {
		return "none"
	}
	out := fmt.Sprintf("%s@%v", a.Recheck.Rule, a.Recheck.DueAt.Sub(noon).Hours())
	if a.Recheck.Answer != nil {
		out += " " + a.Recheck.Answer.SourceID
	}
	return out
}

// R-ANSWER: policy, no source.
func TestAnAnswerPutsOffWhatWasDue(t *testing.T) {
	const no, elsewhere = clinical.Declined, clinical.DoneElsewhere
	drop := withSets(young(), positive(-13)) // due an hour ago
	minutes := func(m float64) float64 { return m / 60 }
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"declined", answered(drop, no, -2), "R-POSITIVE@6 declined -2"},
		{"not possible", answered(drop, clinical.NotPossible, -2), "R-POSITIVE@6 not possible -2"},
		{"done elsewhere", answered(drop, elsewhere, -2), "R-POSITIVE@10 done elsewhere -2"},
		{"4 h before it was due", answered(drop, no, -5), "R-POSITIVE@3 declined -5"},
		{"over 4 h before it was due", answered(drop, no, -5.01), "R-POSITIVE@-1"},
		{"before the set it runs from", answered(drop, no, -14), "R-POSITIVE@-1"},
		{"the latest that counts, though an earlier one reached further", answered(answered(drop, elsewhere, -4), no, -3), "R-POSITIVE@5 declined -3"},
		{"the third counts", answered(drop, no, -4, -3, -2), "R-POSITIVE@6 declined -2"},
		{"the fourth does not", answered(drop, no, -4, -3, -2, -1), "R-POSITIVE@6 declined -2"},
		{"one under 5 min after one that counts takes its place", answered(drop, no, -4, -3, -2, -2+minutes(4.5)), "R-POSITIVE@6.075 declined -1.925"},
		{"one 5 min after it is a fourth", answered(drop, no, -4, -3, -2, -2+minutes(5)), "R-POSITIVE@6 declined -2"},
		{"what took a place may be put right too", answered(drop, no, -2, -2+minutes(3), -2+minutes(7.5)), "R-POSITIVE@6.125 declined -1.875"},
		{"one that could not move it is not counted", answered(drop, no, -12, -4, -3, -2), "R-POSITIVE@6 declined -2"},
		{"after a fall the first alone", answered(withFall(withSets(young(), negative(-20)), -10, "none"), no, -9, -2), "R-FALL@-1 declined -9"},
		{"after a stopped set the first alone", answered(withSets(young(), positive(-10, trends.CritStopped)), no, -9, -2), "R-STOPPED@-1 declined -9"},
		{"after a treatment all three", answered(treated(withSets(young(), positive(-20)), -10, "fluid bolus"), no, -9, -2), "R-TREATED@6 declined -2"},
		{"it moves every rule that was due", answered(withFall(withSets(young(), positive(-20)), -10, "none"), no, -9), "R-FALL@-1 declined -9"},
		{"what is due later stays", answered(withChanges(withSets(young(), negative(-30)), change("furosemide", trends.Raised, -22, true, true)), no, -3), "R-DRUG@2"},
		{"R-VOLUME held then too", answered(dry(young(), -4000), no, -2), "R-VOLUME@6 declined -2"},
		{"R-VOLUME did not hold then", answered(dry(young(), -1500), no, -2), "R-VOLUME@0"},
		{"R-VOLUME: a set had been taken then", answered(dry(withSets(young(), negative(-13)), -4000), no, -2), "R-VOLUME@0"},
		{"R-VOLUME: the new time has come", answered(dry(young(), -4000), no, -8), "R-VOLUME@0"},
		{"R-VOLUME: the latest counts, and its time has come", answered(answered(dry(young(), -4000), elsewhere, -11), no, -9), "R-VOLUME@0"},
		{"R-VOLUME: every answer counts", answered(dry(young(), -4000), no, -5, -4, -3, -2, -1), "R-VOLUME@7 declined -1"},
		{"given at the moment asked", answered(drop, no, 0), "R-POSITIVE@8 declined 0"},
		{"it meets nothing", answered(withSets(young(), positive(-40)), no, -9), "R-POSITIVE@-1 declined -9"},
	} {
		if got := shown(assess(c.stay)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// Of two due at one moment the one higher in the table is shown, then one that was moved.
func TestTiesAfterMoving(t *testing.T) {
	d := withFall(withFall(withSets(young(), negative(-60)), -11, "none"), -4, "none")
	d = answered(d, clinical.Declined, -8) // of the first fall: due at noon, as the second is
	if got := shown(assess(d)); got != "R-FALL@0 declined -8" {
		t.Errorf("one that was moved stands first: %s", got)
	}
	slices.Reverse(d.Falls) // whichever fall is named first
	if got := shown(assess(d)); got != "R-FALL@0 declined -8" {
		t.Errorf("one that was moved stands first, of the fall named last: %s", got)
	}
	d = withFall(withSets(young(), positive(-24.1)), -4, "none")
	d = answered(d, clinical.Declined, -8) // of R-POSITIVE: due at noon too
	if got := shown(assess(d)); got != "R-FALL@0" {
		t.Errorf("the table decides first: %s", got)
	}
}

func TestAnAnswerNeverMovesAnInstanceBeforeItsOwnTime(t *testing.T) {
	d := answered(withSets(young(), positive(-10)), clinical.Declined, -2) // due in 2 h, 4 h after the answer
	for hours, want := range map[float64]string{3.9: "R-POSITIVE@2", 4: "R-POSITIVE@2 declined -2", 4.5: "R-POSITIVE@2.5 declined -2"} {
		if got := shown(assessWith(d, func(p *clinical.Policy) { p.Recheck.AnswerHours = hours })); got != want {
			t.Errorf("by %v h: %s, want %s", hours, got, want)
		}
	}
}

func TestHowManyAnswersCountIsPolicy(t *testing.T) {
	drop := answered(withSets(young(), positive(-13)), clinical.Declined, -4, -3, -2)
	fell := answered(withFall(withSets(young(), negative(-20)), -10, "none"), clinical.Declined, -9, -2)
	with := func(d trends.Digest, many, urgent int) Assessment {
		return assessWith(d, func(p *clinical.Policy) { p.Recheck.AnswersThatCount, p.Recheck.AnswersThatCountUrgent = many, urgent })
	}
	for _, c := range []struct {
		got  Assessment
		want string
		ask  bool
		n    int
	}{
		{with(drop, 0, 5), "R-POSITIVE@-1", true, 3}, {with(drop, 1, 5), "R-POSITIVE@4 declined -4", true, 3},
		{with(drop, 3, 0), "R-POSITIVE@6 declined -2", true, 3}, {with(drop, 4, 0), "R-POSITIVE@6 declined -2", false, 3},
		{with(fell, 5, 0), "R-FALL@-6", true, 2}, {with(fell, 0, 1), "R-FALL@-1 declined -9", true, 2}, {with(fell, 0, 2), "R-FALL@6 declined -2", true, 2},
		{with(young(), 0, 0), "none", false, 0},
		{with(withSets(young(), positive(-13)), 0, 0), "R-POSITIVE@-1", false, 0}, // nobody has answered
		{with(answered(withSets(young(), positive(-13)), clinical.Declined, -4), 1, 0), "R-POSITIVE@4 declined -4", true, 1},
		{with(answered(dry(young(), -4000), clinical.Declined, -5, -4, -3, -2, -1), 0, 0), "R-VOLUME@7 declined -1", false, 5},
		{with(answered(withSets(young(), positive(-13)), clinical.Declined, -2, -1.95), 3, 0), "R-POSITIVE@6.05 declined -1.95", false, 1},
	} {
		if got := shown(c.got); got != c.want || c.got.Recheck.AskProvider != c.ask || c.got.Recheck.Answered != c.n {
			t.Errorf("%s, ask %v, answered %d: want %s, %v, %d", got, c.got.Recheck.AskProvider, c.got.Recheck.Answered, c.want, c.ask, c.n)
		}
	}
}

// The due time of an instance runs from a moment; an answer before it says nothing of it.
func TestAnAnswerBeforeADemandBeganMovesNothing(t *testing.T) {
	for at, want := range map[float64]string{-2.01: "R-FALL@0", -2: "R-FALL@6 declined -2"} {
		d := answered(withFall(withSets(young(), negative(-20)), -2, "none"), clinical.Declined, at)
		if got := shown(assessWith(d, func(p *clinical.Policy) { p.Recheck.FallHours = 2 })); got != want {
			t.Errorf("answered at %v: %s, want %s", at, got, want)
		}
	}
}

func TestStatesAfterMoving(t *testing.T) {
	d := answered(withSets(young(), positive(-13)), clinical.Declined, -2)
	if a := assess(d); a.Recheck.State != Scheduled || hasReason(a, TOverdue) || !hasReason(a, TSoon) {
		t.Errorf("%s, %s", a.Recheck.State, rulesOf(a.Reasons))
	}
	d.Stay.NotAmbulatory = true
	if a := assess(d); a.Recheck.State != Blocked || !a.Recheck.DueAt.Equal(hour(6)) {
		t.Errorf("blocked: %s, %v", a.Recheck.State, a.Recheck.DueAt)
	}
}

// Section 7: an instance falls due at its own time; those not met by then that an answer
// has moved are counted, met afterwards or not.
func TestRechecksAnswered(t *testing.T) {
	countBy := func(d trends.Digest, p clinical.Policy) string {
		due, in, put := 0, 0, 0
		for _, r := range RechecksOf(d, p, time.UTC) {
			due++
			switch {
			case r.InTime():
				in++
			case r.Answered:
				put++
			}
		}
		return fmt.Sprintf("%d due, %d in time, %d answered", due, in, put)
	}
	count := func(d trends.Digest) string { return countBy(d, clinical.DefaultPolicy()) }
	const no = clinical.Declined
	for _, c := range []struct {
		name string
		stay trends.Digest
		want string
	}{
		{"answered at the moment asked", answered(withSets(young(), positive(-20)), no, 0), "1 due, 0 in time, 1 answered"},
		{"not met, not answered", withSets(young(), positive(-20)), "1 due, 0 in time, 0 answered"},
		{"not met, answered", answered(withSets(young(), positive(-20)), no, -10), "1 due, 0 in time, 1 answered"},
		{"not met, answered after it was due", answered(withSets(young(), positive(-20)), no, -2), "1 due, 0 in time, 1 answered"},
		{"answered too early", answered(withSets(young(), positive(-20)), no, -13), "1 due, 0 in time, 0 answered"},
		{"answered and met in time", answered(withFall(withSets(young(), negative(-7)), -10, "none"), no, -9), "1 due, 1 in time, 0 answered"},
		{"answered and met late", answered(withFall(withSets(young(), negative(-1)), -10, "none"), no, -9), "1 due, 0 in time, 1 answered"},
		{"answered once it was met", answered(withFall(withSets(young(), negative(-5)), -10, "none"), no, -5), "1 due, 0 in time, 0 answered"},
		{"answered just before it was met", answered(withFall(withSets(young(), negative(-5)), -10, "none"), no, -5.01), "1 due, 0 in time, 1 answered"},
		{"a standing demand met late", answered(withSets(young(), positive(-40), positive(-8)), no, -20), "1 due, 0 in time, 1 answered"},
		{"a death ends all", withFall(withSets(young(), positive(-40)), -30, "death"), "0 due, 0 in time, 0 answered"},
		{"what falls due at it", withFall(withSets(young(), positive(-40)), -28, "death"), "0 due, 0 in time, 0 answered"},
		{"but what fell due before it", withFall(withSets(young(), positive(-40)), -20, "death"), "1 due, 0 in time, 0 answered"},
	} {
		d := c.stay
		d.Stay.AdmittedAt = hour(-10) // the admission screen falls due later
		if got := count(d); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	// By a policy that lets no answer count, or one.
	d := answered(withSets(young(), positive(-20)), no, -10)
	d.Stay.AdmittedAt = hour(-10)
	for many, want := range map[int]string{0: "1 due, 0 in time, 0 answered", 1: "1 due, 0 in time, 1 answered"} {
		p := clinical.DefaultPolicy()
		p.Recheck.AnswersThatCount = many
		if got := countBy(d, p); got != want {
			t.Errorf("%d answers count: %s, want %s", many, got, want)
		}
	}
}

func TestRestrictionsAtTheMoment(t *testing.T) {
	d := young()
	for _, r := range []struct {
		id       string
		from, to float64
	}{{"ended", -5, 0}, {"ends", -4, 0.1}, {"stands", -3, 0}} {
		f := trends.RestrictionFact{SourceID: r.id, From: hour(r.from)}
		if r.id != "stands" {
			f.To = ptr(hour(r.to))
		}
		d.Restrictions = append(d.Restrictions, f)
	}
	d.Restrictions = append(d.Restrictions, trends.RestrictionFact{SourceID: "ahead", From: hour(0.1)})
	var got []string
	for _, r := range assess(d).Restrictions() {
		got = append(got, r.SourceID)
	}
	if !slices.Equal(got, []string{"ends", "stands"}) {
		t.Errorf("%v", got)
	}
}
