package feedcheck

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Tallies is what keeps counts by day; *store.Store is one.
type Tallies interface {
	// StaysToTally are stays of which no count is kept that rests on basis and on the stay as it is.
	StaysToTally(ctx context.Context, basis string, since time.Time, limit int) (map[string]int64, error)
	SaveTallies(ctx context.Context, basis string, tallies []records.StayTally) error
	// DayTallies sums what was counted by unit, feed and day, both days included.
	DayTallies(ctx context.Context, from, to string) ([]records.DayTally, error)
	UnitSpans(ctx context.Context, since time.Time) ([]records.UnitSpan, error)
}

// Counter counts stays; *assess.Service is one.
type Counter interface {
	TallyBasis() string
	Tallies(ctx context.Context, revisions map[string]int64) ([]records.StayTally, error)
}

// Watch tells of each unit whether its feeds bring what they usually do.
type Watch struct {
	Kept    Tallies
	Counter Counter
	Clock   clinical.Clock
	Zone    *time.Location

	mu   sync.Mutex
	told map[string]keptReport // by the day asked for
}

type keptReport struct {
	at     time.Time
	report []UnitReport
}

const (
	// shownDays are the days that are shown, the one asked for among them.
	shownDays = HabitDays + 1
	// judgedDays are the days that are looked at: the first of those shown has a habit, too.
	judgedDays = shownDays + HabitDays
	// lateAfter is how long after its end a day counts as whole: feeds are late.
	lateAfter = 4 * time.Hour
	// countedFor is for how long back stays are counted, so that earlier days can be asked for.
	countedFor = 120 * 24 * time.Hour
	// staysAtOnce is how many stays are counted and kept together.
	staysAtOnce = 100
	// holdsFor is for how long an answer is given again.
	holdsFor = time.Minute
)

// CatchUp counts every stay that has changed since it was counted, and says how many it were. It
// may be stopped at any moment, and several may run at once.
func (w *Watch) CatchUp(ctx context.Context) (counted int, err error) {
	defer func() {
		if counted > 0 {
			w.forget()
		}
	}()
	for {
		basis := w.Counter.TallyBasis()
		revisions, err := w.Kept.StaysToTally(ctx, basis, w.Clock().Add(-countedFor), staysAtOnce)
		if err != nil || len(revisions) == 0 {
			return counted, err
		}
		tallies, err := w.Counter.Tallies(ctx, revisions)
		if err == nil {
			err = w.Kept.SaveTallies(ctx, basis, tallies)
		}
		if err != nil {
			return counted, err
		}
		counted += len(tallies)
		if len(revisions) < staysAtOnce {
			return counted, nil
		}
	}
}

func (w *Watch) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.told = nil
}

// UnitReport is what one feed, or all feeds of a unit together, bring of it.
type UnitReport struct {
	Unit   string
	Feed   string   // "": all together
	Feeds  []string // of all together: those that there are
	Habits []Habit  // in the order of Measures; of each the days up to the one asked for
}

// Habit is what the report says of a measure.
func (r UnitReport) Habit(m Measure) Habit { return r.Habits[slices.Index(Measures, m)] }

// Day is the first moment of a day of the site's calendar. False where it is not written as
// 2026-11-25.
func (w *Watch) Day(written string) (time.Time, bool) {
	day, err := time.Parse(time.DateOnly, written)
	return clinical.DayStart(day.Year(), day.Month(), day.Day(), w.Zone), err == nil
}

// Today is the first moment of the day that runs.
func (w *Watch) Today() time.Time {
	year, month, day := w.Clock().In(w.Zone).Date()
	return clinical.DayStart(year, month, day, w.Zone)
}

// Report tells, as of a day of the site's calendar, what each unit's feeds bring: for each unit
// all feeds together, then, where there are several, each of them. It is told again for a minute.
func (w *Watch) Report(ctx context.Context, day time.Time) ([]UnitReport, error) {
	name, now := day.In(w.Zone).Format(time.DateOnly), w.Clock()
	w.mu.Lock()
	kept, ok := w.told[name]
	w.mu.Unlock()
	if age := now.Sub(kept.at); ok && age >= 0 && age < holdsFor {
		return kept.report, nil
	}
	report, err := w.report(ctx, day, now)
	if err != nil {
		return nil, err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.told == nil || len(w.told) > 100 {
		w.told = map[string]keptReport{}
	}
	w.told[name] = keptReport{now, report}
	return report, nil
}

func (w *Watch) report(ctx context.Context, day, now time.Time) ([]UnitReport, error) {
	days := w.days(day, now)
	tallies, err := w.Kept.DayTallies(ctx, w.name(days[0]), w.name(days[len(days)-1]))
	if err != nil {
		return nil, err
	}
	spans, err := w.Kept.UnitSpans(ctx, days[0].Date)
	if err != nil {
		return nil, err
	}
	return w.reports(days, tallies, spans, now), nil
}

func (w *Watch) name(d Day) string { return d.Date.In(w.Zone).Format(time.DateOnly) }

// days are the days that are looked at, without what was counted of them.
func (w *Watch) days(last, now time.Time) []Day {
	year, month, day := last.In(w.Zone).Date()
	out := make([]Day, judgedDays)
	for n := range out {
		back := judgedDays - 1 - n
		out[n].Date = clinical.DayStart(year, month, day-back, w.Zone)
		out[n].end = clinical.DayStart(year, month, day-back+1, w.Zone)
		out[n].Over = !now.Before(out[n].end.Add(lateAfter))
	}
	return out
}

// reports are the days of each unit and feed, judged.
func (w *Watch) reports(days []Day, tallies []records.DayTally, spans []records.UnitSpan, now time.Time) []UnitReport {
	units := map[string]*unitDays{}
	of := func(unit string) *unitDays {
		if units[unit] == nil {
			units[unit] = &unitDays{occupied: make([]float64, len(days)), counts: map[string][]records.FactCounts{}}
			units[unit].counts[""] = make([]records.FactCounts, len(days))
		}
		return units[unit]
	}
	for _, s := range spans {
		of(s.Unit).addSpan(days, s, now)
	}
	at := map[string]int{}
	for n, d := range days {
		at[w.name(d)] = n
	}
	for _, t := range tallies {
		of(t.Unit).add(t, at[t.Day])
	}
	var out []UnitReport
	for unit, u := range units {
		out = append(out, u.reports(unit, days)...)
	}
	slices.SortFunc(out, func(a, b UnitReport) int {
		return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Feed, b.Feed))
	})
	return out
}

// unitDays gathers the days of one unit.
type unitDays struct {
	occupied []float64                       // patient-days
	counts   map[string][]records.FactCounts // by feed; "" is all together
}

func (u *unitDays) add(t records.DayTally, day int) {
	if u.counts[t.Feed] == nil {
		u.counts[t.Feed] = make([]records.FactCounts, len(u.occupied))
	}
	u.counts[t.Feed][day] = u.counts[t.Feed][day].Add(t.FactCounts)
	if t.Feed != "" {
		u.counts[""][day] = u.counts[""][day].Add(t.FactCounts)
	}
}

// addSpan adds the part of each day that a patient was on the unit, up to now.
func (u *unitDays) addSpan(days []Day, s records.UnitSpan, now time.Time) {
	end := s.To
	if end.IsZero() || end.After(now) {
		end = now
	}
	for n, d := range days {
		from, until := d.Date, d.end
		if s.From.After(from) {
			from = s.From
		}
		if end.Before(until) {
			until = end
		}
		if until.After(from) {
			u.occupied[n] += until.Sub(from).Hours() / 24
		}
	}
}

// reports are all feeds of the unit together and, where there are several, each of them.
func (u *unitDays) reports(unit string, days []Day) []UnitReport {
	feeds := slices.Sorted(maps.Keys(u.counts))[1:] // without ""
	of := func(feed string) UnitReport {
		r := UnitReport{Unit: unit, Feed: feed}
		own := slices.Clone(days)
		for n := range own {
			own[n].Counts, own[n].PatientDays = u.counts[feed][n], u.occupied[n]
		}
		for _, m := range Measures {
			r.Habits = append(r.Habits, Judge(m, own))
		}
		return r
	}
	whole := of("")
	whole.Feeds = feeds
	out := []UnitReport{whole}
	if len(feeds) > 1 {
		for _, feed := range feeds {
			out = append(out, of(feed))
		}
	}
	return out
}

// Gap is a measure of which somebody has to be told.
type Gap struct {
	Unit, Feed string // the feed where one of several falls short and all together do not
	Habit      Habit
}

// OnList reports whether the gap is told on the unit's list, too: a share that broke, and kinds of
// facts that do not come any more and that nothing else tells. What nobody has seen for four weeks
// is told to the administrator alone.
func (g Gap) OnList() bool {
	m := g.Habit.Measure
	stopped := g.Habit.State == None && (m == Orders || m == Doses || m == Precautions)
	return g.Habit.State.Fault() && m.IsShare() || stopped
}

// GapsNow are the gaps of today, of every unit.
func (w *Watch) GapsNow(ctx context.Context) ([]Gap, error) {
	report, err := w.Report(ctx, w.Today())
	return Gaps(report), err
}

// OnList are the gaps that are told on the list of a unit.
func (w *Watch) OnList(ctx context.Context, unit string) ([]Gap, error) {
	gaps, err := w.GapsNow(ctx)
	return slices.DeleteFunc(gaps, func(g Gap) bool { return g.Unit != unit || !g.OnList() }), err
}

// Behind reports whether stays wait to be counted.
func (w *Watch) Behind(ctx context.Context) (bool, error) {
	some, err := w.Kept.StaysToTally(ctx, w.Counter.TallyBasis(), w.Clock().Add(-countedFor), 1)
	return len(some) > 0, err
}

// Gaps are the measures of a report of which somebody has to be told: of all feeds of a unit
// together, and those shares of single feeds that the whole does not show.
func Gaps(report []UnitReport) []Gap {
	var out []Gap
	whole := map[string][]Measure{}
	for _, r := range report {
		for _, h := range r.Habits {
			single := r.Feed != "" // what the whole says already, or a count that another feed makes up for
			if !h.Told() || single && (!h.Measure.IsShare() || h.State == Never || slices.Contains(whole[r.Unit], h.Measure)) {
				continue
			}
			if !single {
				whole[r.Unit] = append(whole[r.Unit], h.Measure)
			}
			out = append(out, Gap{r.Unit, r.Feed, h})
		}
	}
	return out
}
