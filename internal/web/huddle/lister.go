package huddle

import (
	"html/template"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// lister makes the views of one answer for one sight and choice.
type lister struct {
	*service
	frame.Times
	policy clinical.Policy
	answer *answer
	sees   sight
	chosen choice
	given  standing
	query  string // keeps another moment in links
	quiet  func(alerts.Assessment) bool
	news   map[string][]string   // by stay: what has happened since the last huddle
	marks  map[string][]markView // by stay
}

// personView names a patient, as far as it is in sight.
type personView struct{ Bed, Name, URL string }

func (l lister) person(a alerts.Assessment) personView {
	p := personView{Bed: a.Digest.Stay.Bed}
	if l.sees.names {
		p.Name, p.URL = a.Digest.Stay.Name, frame.StayURL(a.Digest.StayID)+l.query
		if p.Name == "" && p.Bed == "" {
			p.Name = a.Digest.Stay.PatientID // nothing else tells who it is
		}
	}
	return p
}

func (l lister) counts() []countView {
	out := make([]countView, 0, len(alerts.Tiers))
	for _, tier := range alerts.Tiers {
		v := countView{Tier: tier, Name: text.TierNames[tier], URL: "#tier-" + tier}
		shown := l.chosen.sort == "" && (l.chosen.tiers == nil || slices.Contains(l.chosen.tiers, tier))
		for _, a := range l.answer.list {
			if a.Tier == tier {
				v.Count++
			}
		}
		if v.Count == 0 || !shown || !slices.ContainsFunc(
			l.answer.list, func(a alerts.Assessment) bool { return a.Tier == tier && l.holds(a) },
		) {
			v.URL = ""
		}
		out = append(out, v)
	}
	return out
}

// owedTo are the things that are owed to a patient, done ones that the list still says too.
func (l lister) owedTo(a alerts.Assessment) []episodes.Thing { return l.given.byStay[a.Digest.StayID] }

// fellView is a fall or faint of a patient.
type fellView struct {
	personView
	Text string
	Rule *frame.RuleLink
	Left string // who has left the unit since
	Open bool   // no set that can be read was taken since
}

// fell lists who fell or fainted since the last huddle, or in the last hours in which
// a fall keeps a patient up on the list: falls without a set since first, then the latest.
func (l lister) fell() ([]fellView, *frame.Moment) {
	from := l.answer.at.Add(-clinical.Hours(l.policy.Tiers.RecentHours))
	if l.answer.since.From.Before(from) {
		from = l.answer.since.From
	}
	type happening struct {
		at    time.Time
		first bool // a fall after which a set is missing
		view  fellView
	}
	var all []happening
	add := func(a alerts.Assessment, left string) {
		for _, e := range alerts.FellOrFainted(a, from) {
			v := fellView{personView: l.person(a), Text: l.Event(e), Left: left, Open: !e.SetNow && left == "" && !e.Fatal()}
			if e.Reason.Rule != "" {
				r := l.Rule(e.Reason.Rule)
				v.Rule = &r
			}
			all = append(all, happening{e.At, v.Open && !e.Fainted, v})
		}
	}
	for _, a := range l.answer.list {
		add(a, "")
	}
	for _, d := range l.answer.since.Left {
		if !d.At.IsZero() {
			add(d.Of, l.leaving(d))
		}
	}
	slices.SortStableFunc(all, func(x, y happening) int {
		if x.first != y.first {
			if x.first {
				return -1
			}
			return 1
		}
		return y.at.Compare(x.at)
	})
	out := make([]fellView, len(all))
	for n, h := range all {
		out[n] = h.view
	}
	return out, l.Moment(from)
}

func (l lister) leaving(d alerts.Departure) string {
	switch {
	case d.At.IsZero():
		return text.Say("huddle.taken-back")
	case d.Of.Digest.Stay.DischargedAt != nil && !d.Of.Digest.Stay.DischargedAt.After(d.At):
		return text.Say("huddle.discharged", l.Time(d.At))
	}
	return text.Say("huddle.moved", d.Of.Digest.Stay.Unit, l.Time(d.At))
}

// sinceView is what has changed since the last huddle.
type sinceView struct {
	From   *frame.Moment
	Quiet  bool
	Groups []sinceGroup
}

type sinceGroup struct {
	Name  string
	Items []sinceItem
}

// Count is the number of things that have happened, not of patients.
func (g sinceGroup) Count() int {
	n := 0
	for _, i := range g.Items {
		n += i.Events
	}
	return n
}

type sinceItem struct {
	personView
	Text   string
	Events int
}

func (l lister) since() sinceView {
	s := l.answer.since
	v := sinceView{From: l.MomentAgo(s.From), Quiet: s.Quiet()}
	v.Groups = slices.DeleteFunc([]sinceGroup{
		sinceOf(text.Say("huddle.since-falls"), s.Falls, func(f alerts.NewFalls) sinceItem {
			return sinceItem{l.person(f.Of), l.NewFalls(f.Falls), len(f.Falls)}
		}),
		sinceOf(text.Say("huddle.since-positive"), s.Positives, func(p alerts.NewSets) sinceItem {
			return sinceItem{l.person(p.Of), l.NewSets(p.Sets), len(p.Sets)}
		}),
		sinceOf(text.Say("huddle.since-cleared"), s.Cleared, func(a alerts.Assessment) sinceItem {
			return sinceItem{l.person(a), l.Time(*a.Digest.Serial.ClearedAt), 1}
		}),
		sinceOf(text.Say("huddle.since-doses"), s.Doses, func(d alerts.NewDoses) sinceItem {
			return sinceItem{l.person(d.Of), l.NewDoses(d.Changes), len(d.Changes)}
		}),
		sinceOf(text.Say("huddle.since-arrived"), s.Arrived, l.arrival),
		sinceOf(text.Say("huddle.since-left"), s.Left, func(d alerts.Departure) sinceItem {
			p := l.person(d.Of)
			p.URL = "" // its page may be another unit's by now
			return sinceItem{p, l.leaving(d), 1}
		}),
	}, func(g sinceGroup) bool { return len(g.Items) == 0 })
	return v
}

// sinceOf tells one kind of what has happened, an item for each patient.
func sinceOf[T any](name string, of []T, item func(T) sinceItem) sinceGroup {
	g := sinceGroup{Name: name}
	for _, one := range of {
		g.Items = append(g.Items, item(one))
	}
	return g
}

// arrival says how a patient came: admitted, or moved here from another unit.
func (l lister) arrival(a alerts.Assessment) sinceItem {
	how := text.Say("huddle.admitted", l.Time(a.Digest.Stay.AdmittedAt))
	if moved, ok := l.answer.came[a.Digest.StayID]; ok {
		how = text.Say("huddle.moved-here", moved.From, l.Time(moved.At))
	}
	return sinceItem{l.person(a), how, 1}
}

// dueView is one thing that is owed to a patient, in full.
type dueView struct {
	ID      string
	Kind    string
	Text    string
	Rules   []frame.RuleLink
	State   string // overdue or due; "" where nothing tells a time
	Word    string
	Due     *frame.Moment
	Why     string // what asks for a set sooner than the fall
	Missing []string
	Notes   []string // by what answer it was put off, and for how long the patient stands
	Bundle  []string // the precautions that are missing
	Whom    whomView
}

// whomView is how a thing stands, and whose it is.
type whomView struct {
	ID     string
	What   string // what it is, for who does not see the row
	Name   string // whose; "" for nobody yet
	Hidden bool   // it is somebody's, and no names are shown
	Says   string // how it stands; "" where it is nobody's
	Done   bool   // it is done, and the list does not know it yet
	Forms  *parts.EpisodeForms
}

func (l lister) dueOf(a alerts.Assessment, t episodes.Thing) dueView {
	v := dueView{ID: parts.Anchor(t.Key), Kind: string(t.Kind), Whom: l.whom(a, t)}
	if t.Due == nil { // the list speaks of it no more, and nobody has done it
		v.Text = l.EpisodeWhy(t.Rule, t.Figures)
		if _, explained := l.Times.Rules[t.Rule]; explained {
			v.Rules = []frame.RuleLink{l.Rule(t.Rule)}
		}
		return v
	}
	d := *t.Due
	v.Text, v.Rules = l.OwedOne(d), []frame.RuleLink{l.Rule(d.Rule)}
	switch d.Kind {
	case episodes.FallWithoutSet, episodes.RecheckOverdue:
		v.Why, v.Notes = parts.AskedBefore(l.Times, a, d), parts.SetNotes(l.Times, a)
		at, state := parts.SetDue(l.Times, a, d)
		v.State, v.Due = state, parts.DueOf(l.Times, state, at)
		v.Word, v.Missing = text.RecheckStates[v.State], text.Missing(a.Recheck.Missing)
	case episodes.PrecautionsMissing:
		v.Text, v.Bundle = text.Say("huddle.precautions"), a.Precautions.Missing
	case episodes.DoseReview:
		v.Rules = nil
		for _, f := range a.Review.Flags {
			if f.Asks() {
				v.Rules = append(v.Rules, l.Rule(f.Rule))
			}
		}
	}
	return v
}

func (l lister) whom(a alerts.Assessment, t episodes.Thing) whomView {
	w := whomView{ID: t.Key, Done: !t.Active(), Says: l.ThingBrief(t, l.sees.names)}
	if t.State == episodes.Assigned || t.State == episodes.Taken {
		if w.Hidden = !l.sees.names; !w.Hidden {
			w.Name = t.Owner()
		}
	}
	what := text.EpisodeKinds[t.Kind]
	if t.Due != nil {
		what = l.OwedBrief(*t.Due)
	}
	w.What = text.Say("huddle.whom-what", what, bedWords(a.Digest.Stay.Bed))
	if l.sees.acts {
		w.Forms = parts.FormsOf(l.Times, t, l.sees.by, parts.BackToList+l.chosen.query().Encode(), w.What)
	}
	return w
}

func bedWords(bed string) string {
	if bed == "" {
		return text.Say("huddle.no-bed")
	}
	return text.Say("huddle.bed", bed)
}

// groups are the rows of the list: by tier, or in another order in one group.
func (l lister) groups() []groupView {
	var chosen []alerts.Assessment
	for _, a := range l.chosen.ordered(l.answer.list) {
		if l.holds(a) {
			chosen = append(chosen, a)
		}
	}
	if l.chosen.sort != "" {
		g := groupView{ID: "list", Name: text.Say("huddle.by-bed")}
		if l.chosen.sort == byRecheck {
			g.Name = text.Say("huddle.by-recheck")
		}
		for _, a := range chosen {
			r := l.row(a)
			r.Mixed = true
			g.Rows = append(g.Rows, r)
		}
		return []groupView{g}
	}
	var out []groupView
	for _, tier := range alerts.Tiers {
		g := groupView{ID: "tier-" + tier, Tier: tier, Name: text.TierNames[tier], Intro: text.TierIntros[tier]}
		for _, a := range chosen {
			if a.Tier == tier {
				g.Rows = append(g.Rows, l.row(a))
			}
		}
		if len(g.Rows) > 0 {
			out = append(out, g)
		}
	}
	return out
}

func (l lister) row(a alerts.Assessment) rowView {
	d := a.Digest
	r := rowView{
		lineView: l.lineView(a), ID: l.anchorOf(a), Before: l.Time(l.answer.nextShift),
		Rank: a.Rank, Tier: a.Tier, TierName: text.TierNames[a.Tier], Bed: d.Stay.Bed, Trend: parts.TrendOf(d.Serial),
	}
	if l.sees.names {
		r.Name, r.PatientID, r.Age, r.URL = d.Stay.Name, d.Stay.PatientID, parts.AgeOf(
			d.Stay, l.Times,
		), frame.StayURL(d.StayID)+l.query
		r.Handover = parts.HandoverOf(l.Times, a, l.owedTo(a), l.given.notes[d.StayID])
		r.Notes = l.notesOf(a)
	}
	if l.sees.sets {
		r.SetURL = frame.SetURL(d.StayID)
	}
	owed := l.owedTo(a)
	for n, reason := range a.Reasons {
		switch {
		case n == 0:
			r.Lead = &parts.ReasonView{Text: l.Reason(reason), Rule: l.Rule(reason.Rule)}
		case !parts.ToldElsewhere(a, reason.Rule, owed):
			r.Others = append(r.Others, parts.ReasonView{Text: l.BriefOf(d, reason), Rule: l.Rule(reason.Rule)})
		}
	}
	setOwed := false
	for _, due := range owed {
		if !due.Active() {
			r.Done = append(r.Done, l.dueOf(a, due))
			continue
		}
		r.Owed = append(r.Owed, l.dueOf(a, due))
		setOwed = setOwed || due.Due != nil && due.Due.At != nil
	}
	if !setOwed && (a.Recheck.State != alerts.NotNeeded || len(a.Recheck.Missing) > 0) {
		later := parts.RecheckOf(l.Times, a)
		r.Later = &later
	}
	r.Blocked = a.Recheck.State == alerts.Blocked
	r.Limbs, r.Low = parts.LimbsOf(a), parts.LowOf(l.Times, a.LowApart())
	r.Chest, r.Emergencies = parts.ChestOf(l.Times, a.ChestPain), parts.EmergenciesOf(l.Times, a.Emergencies)
	if l.quiet(a) {
		r.Quiet = l.QuietBrief(d.NewestVitals)
	}
	r.InPlace = parts.PrecautionsOf(a).Note
	for _, ch := range d.Changes {
		if ch.Lowering {
			r.Change = text.Change(ch) + ", " + l.Time(ch.At)
		}
	}
	return r
}

// chooseView is the form by which a reader chooses what to see.
type chooseView struct {
	Tiers    []parts.OptionView
	From, To string
	Hidden   []hiddenField // what is chosen and stands in no field
	Sorts    []sortView
	NoNames  bool
	Offers   bool   // names can be turned off: they are not off already
	AsOf     string // another moment, kept
	Narrowed []string
	Unknown  string // which filters of the address there are not; "" for none
	Shown    string
	All      string // the address of the whole list
	NamesOn  string // the address of the same with names
}

type hiddenField struct{ Name, Value string }

type sortView struct {
	Value, Name string
	On          bool
}

// address is that of the page with a choice, at the moment asked for.
func (l lister) address(unit string, c choice) string {
	q := c.query()
	if !l.Live {
		q.Set("as_of", l.At.UTC().Format(time.RFC3339))
	}
	if len(q) == 0 {
		return frame.UnitURL(unit)
	}
	return frame.UnitURL(unit) + "?" + q.Encode()
}

func (l lister) chooseView(unit string, when frame.Asked) chooseView {
	c := l.chosen
	v := chooseView{
		From: c.from, To: c.to, NoNames: c.noNames, Offers: l.sees.names || c.noNames,
		Narrowed: c.words(), All: l.address(unit, choice{noNames: c.noNames}),
	}
	if len(c.unknown) > 0 {
		v.Unknown = text.Say("huddle.unknown-filter", strings.Join(c.unknown, ", "))
	}
	named := c
	named.noNames = false
	v.NamesOn = l.address(unit, named)
	if !when.Live {
		v.AsOf = when.At.UTC().Format(time.RFC3339)
	}
	for _, question := range questions {
		for _, answer := range c.asked[question] {
			v.Hidden = append(v.Hidden, hiddenField{question, answer})
		}
	}
	if c.given != "" {
		v.Hidden = append(v.Hidden, hiddenField{givenParam, c.given})
	}
	for _, tier := range alerts.Tiers {
		v.Tiers = append(v.Tiers, parts.OptionView{ID: text.TierNames[tier], Value: tier, On: slices.Contains(c.tiers, tier)})
	}
	v.Sorts = []sortView{
		{byRank, text.Say("huddle.sort-rank"), c.sort == ""},
		{byBed, text.Say("huddle.sort-bed"), c.sort == byBed},
		{byRecheck, text.Say("huddle.sort-recheck"), c.sort == byRecheck},
	}
	return v
}

// sheetView is the page as it is printed: one sheet of A4 for a unit.
type sheetView struct {
	Moment      string // with its year
	Rows        []sheetRow
	Quiet       []string // beds of the last tier
	Precautions string   // that precautions are not known; "" where they are of everybody
	Notes       []string // of the unit, for the handover
}

type sheetRow struct {
	Rank     int
	Tier     string
	TierName string
	First    bool // of its tier
	Span     int  // of the first of a tier: how many rows it has
	personView
	Age    string
	Drawn  template.HTML // its latest set; "" without one
	Why    string
	Rule   *frame.RuleLink // of the reason
	Others []string
	Set    string
	Past   bool // the set was negative, and something has overtaken it
	Trend  string
	Owed   []sheetDue
}

type sheetDue struct {
	Text    string
	Due     string
	Why     string // what asks for a set sooner than the fall
	State   string
	Missing []string // why a set cannot be taken, or what comes before it
	Notes   []string // as of dueView
	Name    string
}

func (l lister) sheet() sheetView {
	var out sheetView
	last, first := "", 0
	if slices.ContainsFunc(l.answer.list, func(a alerts.Assessment) bool { return a.Precautions.InPlace == nil }) {
		out.Precautions = text.PrecautionsNotCarried
	}
	for _, g := range l.chosen.ordered(l.answer.list) {
		if !l.holds(g) {
			continue
		}
		if g.Tier == alerts.None {
			bed := g.Digest.Stay.Bed
			if bed == "" {
				bed = text.Say("huddle.no-bed")
			}
			if name := l.person(g).Name; name != "" {
				bed += " " + name
			}
			warn := append(text.Missing(g.Recheck.Missing), parts.LimbsOf(g)...)
			if low := parts.LowBrief(l.Times, g.LowApart()); low != "" {
				warn = append(warn, low)
			}
			if g.ChestPain != nil { // no set stands here
				warn = append(warn, l.ChestPainBrief(*g.ChestPain))
			}
			warn = append(warn, parts.EmergencyBriefs(l.Times, g.Emergencies)...)
			if l.quiet(g) {
				warn = append(warn, l.QuietBrief(g.Digest.NewestVitals))
			}
			if l.sees.names {
				warn = append(warn, parts.NoteLines(l.Times, l.given.notes[g.Digest.StayID])...)
			}
			if len(warn) > 0 {
				bed += " (" + strings.Join(warn, "; ") + ")"
			}
			out.Quiet = append(out.Quiet, bed)
			continue
		}
		r := l.sheetRow(g)
		if r.First = r.Tier != last; r.First {
			first = len(out.Rows)
		}
		last = r.Tier
		out.Rows = append(out.Rows, r)
		out.Rows[first].Span++
	}
	out.Moment = l.Dated(l.answer.at)
	if l.sees.names {
		out.Notes = parts.NoteLines(l.Times, l.given.notes[""])
	}
	return out
}

func (l lister) sheetRow(a alerts.Assessment) sheetRow {
	r := sheetRow{
		Rank: a.Rank, Tier: a.Tier, TierName: text.TierNames[a.Tier], personView: l.person(a),
		Trend: parts.TrendOf(a.Digest.Serial).Arrow,
	}
	if l.sees.names {
		r.Age = parts.AgeOf(a.Digest.Stay, l.Times)
	}
	owed := l.owedTo(a)
	for n, reason := range a.Reasons {
		switch {
		case n == 0:
			link := l.Rule(reason.Rule)
			r.Why, r.Rule = l.LeadBriefOf(a.Digest, reason), &link
		case !parts.ToldElsewhere(a, reason.Rule, owed):
			r.Others = append(r.Others, l.BriefOf(a.Digest, reason))
		}
	}
	if set := a.Digest.LatestSet(); set != nil {
		r.Drawn = parts.DrawnOf(a.Digest, *set).Set
		r.Set, r.Past = l.SetBrief(a.Digest, *set, parts.ToldByLead(a)), a.Digest.Overtaken(*set) != nil
	}
	setOwed := false
	for _, t := range owed {
		if !t.Active() {
			if t.ToldWhom != "" && l.sees.names {
				r.Others = append(r.Others, parts.ToldOf(l.Times, t))
			}
			continue
		}
		due := sheetDue{Text: text.EpisodeKinds[t.Kind]}
		if d := t.Due; d != nil {
			due.Text = l.OwedBrief(*d)
			if d.At != nil {
				at, state := parts.SetDue(l.Times, a, *d)
				due.Due, due.State = l.Short(at), state
				due.Why, due.Missing = parts.AskedBefore(l.Times, a, *d), text.Missing(a.Recheck.Missing)
				due.Notes = parts.SetNotes(l.Times, a)
				setOwed = true
			}
		}
		switch t.State {
		case episodes.Assigned, episodes.Taken:
			if l.sees.names {
				due.Name = t.Owner()
			}
		case episodes.Deferred, episodes.Told:
			due.Notes = append(due.Notes, l.ThingBrief(t, l.sees.names))
		}
		r.Owed = append(r.Owed, due)
	}
	if _, recheck := leadOf(a).(alerts.RecheckFigures); recheck && setOwed {
		r.Why = l.Line(a.Reasons[0]) // its hour stands with what is owed
	}
	if !setOwed { // else it stands with the set
		r.Others = append(append(r.Others, parts.SetNotes(l.Times, a)...), text.Missing(a.Recheck.Missing)...)
	}
	r.Others = append(r.Others, parts.LimbsOf(a)...)
	if low := parts.LowBrief(l.Times, a.LowApart()); low != "" {
		r.Others = append(r.Others, low)
	}
	if pain := parts.ChestBrief(l.Times, a); pain != "" {
		r.Others = append(r.Others, pain)
	}
	r.Others = append(r.Others, parts.EmergencyBriefs(l.Times, a.Emergencies)...)
	if l.quiet(a) {
		r.Others = append(r.Others, l.QuietBrief(a.Digest.NewestVitals))
	}
	if l.sees.names {
		r.Others = append(r.Others, parts.NoteLines(l.Times, l.given.notes[a.Digest.StayID])...)
	}
	return r
}

// leadOf are the figures of the deciding reason, nil where nothing decides.
func leadOf(a alerts.Assessment) clinical.Figures {
	if len(a.Reasons) == 0 {
		return nil
	}
	return a.Reasons[0].Figures
}
