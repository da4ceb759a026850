package huddle

import (
	"context"
	"strconv"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// worstShown is how many patients the page of all units lists: about a screen.
const worstShown = 12

// hospitalView is the page of all units that an account may see: what each has open, and
// the patients who stand highest across them.
type hospitalView struct {
	frame.Layout
	Moment   *frame.Moment
	AsOf     bool
	Self     string
	Patients string
	Tiers    []string // the heads of their columns
	Units    []unitLine
	Worst    []worstView
	Names    bool
}

// unitLine is one unit; every figure leads to its rows.
type unitLine struct {
	Unit, URL string
	Patients  int
	Tiers     []countView
	Counts    []parts.Answer // fell, overdue, nobody's, owed in all
	Newest    *frame.Moment
	Stale     bool
}

// worstView is a patient who stands high across the units.
type worstView struct {
	personView
	lineView
	Unit, Tier, TierName string
}

func (s *service) hospitalPage(c *frame.Request) (frame.Page, error) {
	when, err := s.AsOf(c)
	if err != nil {
		return nil, err
	}
	ctx, account := c.Request.Context(), frame.AccountOf(c)
	units, err := s.UnitsFor(ctx, account)
	if err != nil {
		return nil, err
	}
	for _, unit := range units { // what cannot be recorded is not shown
		e := records.AuditEntry{Did: audit.View, Unit: unit, Outcome: frame.Allowed, Note: "all units"}
		if !when.Live {
			e.AsOf = when.At
		}
		if err := s.Noted(c, e); err != nil {
			return nil, err
		}
	}
	v := hospitalView{
		Moment: s.Times(when.At, when.Live).Moment(when.At), AsOf: !when.Live, Self: frame.HospitalURL,
		Names: account.May(records.ViewNames, records.ViewStay),
	}
	for _, tier := range alerts.Tiers {
		v.Tiers = append(v.Tiers, text.TierNames[tier])
	}
	ages, err := s.fillHospital(ctx, &v, units, when)
	if err != nil {
		return nil, err
	}
	v.Layout = s.LayoutOfLists(c, text.Say("hospital.heading"), units, ages, when).At(frame.HospitalURL)
	if when.Live {
		v.Layout = v.Layout.Live(when.At)
		v.Refresh = true
	}
	return frame.Show(200, "hospital", v)
}

// fillHospital adds the units and the patients who stand highest across them, and returns how old
// each unit's list is.
func (s *service) fillHospital(
	ctx context.Context, v *hospitalView, units []string, when frame.Asked,
) (map[string]alerts.Freshness, error) {
	listers, ages := map[string]lister{}, map[string]alerts.Freshness{}
	var all []alerts.Assessment
	for _, unit := range units {
		a, err := s.openAbout(ctx, unit, when)
		if err != nil {
			return nil, err
		}
		fresh, given := s.FreshOf(ctx, unit, a.list, when.At), s.standingOn(ctx, unit, when, a)
		l := s.listerOf(ctx, unit, when, a, fresh, sight{names: v.Names}, choice{}, given)
		listers[unit], ages[unit] = l, fresh
		v.Units = append(v.Units, l.unitLine(unit, fresh))
		all = append(all, a.list...)
	}
	v.Patients = text.Plural(len(all), text.Say("counts.patient"), text.Say("counts.patients"))
	alerts.Rank(all)
	for _, a := range all[:min(worstShown, len(all))] {
		if a.Tier == alerts.None {
			break
		}
		v.Worst = append(v.Worst, listers[a.Digest.Stay.Unit].worst(a))
	}
	return ages, nil
}

// unitLine counts what a unit has open.
func (l lister) unitLine(unit string, fresh alerts.Freshness) unitLine {
	v := unitLine{Unit: unit, URL: l.address(unit, choice{}), Patients: len(l.answer.list), Stale: fresh.Stale}
	if fresh.Newest != nil {
		v.Newest = l.MomentAgo(*fresh.Newest)
	}
	for _, n := range l.counts() {
		n.URL = l.address(unit, choice{tiers: []string{n.Tier}})
		v.Tiers = append(v.Tiers, n)
	}
	whoFell, late, unowned, open := 0, 0, 0, 0
	for _, a := range l.answer.list {
		for _, m := range l.marks[a.Digest.StayID] {
			if m.Kind == fell {
				whoFell++
			}
		}
		for _, t := range l.owedTo(a) {
			if !t.Active() {
				continue
			}
			open++
			if t.Nobodys() {
				unowned++
			}
			for _, hour := range l.answersOfThing(a, t, hourParam) {
				if hour == overdue {
					late++
				}
			}
		}
	}
	count := func(name string, n int, c choice) {
		v.Counts = append(v.Counts, parts.Answer{Name: name, URL: l.address(unit, c), Count: strconv.Itoa(n)})
	}
	count(text.Say("hospital.fell"), whoFell, choice{}.with(markParam, fell))
	count(text.Say("hospital.overdue"), late, choice{}.with(hourParam, overdue))
	count(text.Say("hospital.nobodys"), unowned, choice{given: nobody})
	count(text.Say("hospital.owed"), open, choice{})
	return v
}

func (l lister) worst(a alerts.Assessment) worstView {
	return worstView{l.person(a), l.lineView(a), a.Digest.Stay.Unit, a.Tier, text.TierNames[a.Tier]}
}
