package huddle

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/rounds"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// roundView is the round of a unit: its sets of the hours ahead, by nurse and hour.
type roundView struct {
	frame.Layout
	Unit   string
	Moment *frame.Moment
	AsOf   bool
	Self   string
	Until  *frame.Moment // the end of the shift, for which beds are given
	To     string        // the end of the hours ahead
	Sets   string        // how many are owed, and how long they take
	Quiet  bool          // nothing is owed on the unit, and nothing was taken
	Nurses []nurseLink   // whose rounds there are; none where nobody was given beds
	Walks  []walkView
	Given  []givenView
	Give   *giveBedsView // nil for who may not
}

type nurseLink struct {
	Name, URL string
	Here      bool
}

// walkView is the round of one nurse, on a sheet of its own.
type walkView struct {
	ID, Nurse, Beds, Owed string
	Hours                 []hourView
	Quiet                 []string
}

type hourView struct {
	Name    string
	Overdue bool
	Stops   []stopView
}

// stopView is a set of a round.
type stopView struct {
	personView
	Clock   string
	Late    bool
	Blocked bool
	Taken   bool
	Idle    string // why a set that was taken is not crossed off; "" for one that is
	Why     string // what asks for it
	Minutes string
	Two     string // that two people go, and why; "" where nothing charted asks for it
	Set     *parts.Found
	Marks   []markView
	Watch   []string // what to know before the patient stands
	Owner   string   // who has it in hand, where it is another than whose bed it is
	SetURL  string   // where the set is taken; "" where the account records none
}

// givenView is a range of beds that is somebody's.
type givenView struct {
	From, To, Nurse, Says string
	Number                int64 // by which it is taken back
}

// giveBedsView is the form by which beds are given, with what was typed and what is wrong with it.
type giveBedsView struct {
	From, To, Nurse, Wrong string
	Sure, Do               string // the range that is asked about once more, "" for none; the words of the button
	People                 []string
}

// sureOf names a range in the form that gives it after a question.
func sureOf(from, to string) string { return from + " " + to }

// maxNurse is how long the name of a nurse may be, in characters: that of an account at most.
const maxNurse = 64

func (s *service) roundPage(c *frame.Request) (frame.Page, error) {
	return s.showRound(c, http.StatusOK, giveBedsView{})
}

// showRound shows the round with what was typed into its form.
func (s *service) showRound(c *frame.Request, status int, typed giveBedsView) (frame.Page, error) {
	when, err := s.AsOf(c)
	if err != nil {
		return nil, err
	}
	ctx, unit, account := c.Request.Context(), c.Param("unit"), frame.AccountOf(c)
	kept, err := s.answerAbout(ctx, unit, when)
	if err != nil {
		return nil, err
	}
	given, err := s.bedsGiven(ctx, unit, when)
	if err != nil {
		return nil, err
	}
	fresh := s.FreshOf(ctx, unit, kept.answer.list, when.At)
	sees := sight{names: true, sets: when.Live && s.TakesSets && account.May(records.RecordSet)}
	l := s.listerOf(ctx, unit, when, kept.answer, fresh, sees, choice{}, s.standingOn(ctx, unit, when, kept.answer))
	v := l.roundView(unit, given, c.Query("nurse"), c.Request.URL.Query().Has("nurse"))
	v.AsOf = !when.Live
	if when.Live && s.Shift != nil && account.May(records.ActOnEpisodes) {
		typed.People = withOwners(kept.answer.people, l.given)
		typed.Do = cmp.Or(typed.Do, text.Say("round.give-do"))
		v.Give = &typed
	}
	v.Layout = s.LayoutOf(c, text.Say("round.title", unit), fresh, when).At(frame.RoundURL(unit))
	if when.Live {
		v.Layout = v.Layout.Live(when.At)
		v.Refresh, v.Posted = status == http.StatusOK, status != http.StatusOK
	}
	return frame.Show(status, "round", v)
}

func (s *service) bedsGiven(ctx context.Context, unit string, when frame.Asked) ([]records.GivenBeds, error) {
	if s.Shift == nil {
		return nil, nil
	}
	return s.Shift.BedsGiven(ctx, unit, s.RecordedBy(when))
}

// roundView is the round of all, or of one nurse alone; "" for what is nobody's.
func (l lister) roundView(unit string, given []records.GivenBeds, nurse string, one bool) roundView {
	at := l.answer.at
	stops := rounds.Stops(l.answer.list, l.policy, alerts.ShiftBegan(l.policy.Unit, l.Zone, at), at)
	v := roundView{
		Unit: unit, Moment: l.Moment(at), Self: frame.RoundURL(unit), Until: l.MomentDue(l.answer.nextShift),
		To: l.Short(at.Add(rounds.Ahead)), Sets: owedSets(stops), Quiet: len(stops) == 0,
	}
	walks := rounds.Walks(l.answer.list, stops, given, l.Zone)
	if len(walks) > 1 || one {
		v.Nurses = append(v.Nurses, nurseLink{text.Say("round.all"), l.roundURL(unit, nil), !one})
	}
	for n, w := range walks {
		if len(walks) > 1 || one {
			here := one && w.Nurse == nurse
			v.Nurses = append(v.Nurses, nurseLink{nurseWord(w.Nurse), l.roundURL(unit, &w.Nurse), here})
		}
		if !one || w.Nurse == nurse {
			v.Walks = append(v.Walks, l.walkView(w, n))
		}
	}
	beds := takenBeds(l.answer.list)
	for n, g := range given {
		held := rounds.Held(given, n, beds)
		if g.Nurse == "" || len(held) == 0 {
			continue
		}
		says := text.Say("round.given", g.Who, l.Short(g.At), l.Short(g.Until))
		if of := rounds.Held(given[n:n+1], 0, beds); len(held) < len(of) {
			says += ", " + text.Say("round.given-still", strings.Join(held, ", "))
		}
		v.Given = append(v.Given, givenView{g.From, g.To, g.Nurse, says, g.Number})
	}
	return v
}

// takenBeds are the beds in which somebody lies, in order.
func takenBeds(list []alerts.Assessment) []string {
	var beds []string
	for _, a := range list {
		beds = append(beds, a.Digest.Stay.Bed)
	}
	slices.SortFunc(beds, alerts.CompareBeds)
	return slices.Compact(beds)
}

func (l lister) roundURL(unit string, nurse *string) string {
	q := url.Values{}
	if !l.Live {
		q = url.Values{"as_of": {l.At.UTC().Format(time.RFC3339)}}
	}
	if nurse != nil {
		q.Set("nurse", *nurse)
	}
	if len(q) == 0 {
		return frame.RoundURL(unit)
	}
	return frame.RoundURL(unit) + "?" + q.Encode()
}

func nurseWord(nurse string) string {
	if nurse == "" {
		return text.Say("round.nobodys")
	}
	return nurse
}

// owedSets counts the sets that are owed, and how long they take one after the other.
func owedSets(stops []rounds.Stop) string {
	n, minutes := 0, 0.0
	for _, s := range stops {
		if s.Taken == nil && !s.Blocked {
			n, minutes = n+1, minutes+s.Lying+s.Standing
		}
	}
	if n == 0 {
		return text.Say("round.none-owed")
	}
	return text.Say("round.owed", text.Plural(n, text.Say("round.set"), text.Say("round.sets")), text.Figure(minutes))
}

func (l lister) walkView(w rounds.Walk, n int) walkView {
	v := walkView{ID: "walk-" + strconv.Itoa(n+1), Nurse: nurseWord(w.Nurse)}
	var all []rounds.Stop
	for _, h := range w.Hours {
		name := text.Say("round.overdue")
		if !h.Overdue {
			name = text.Say("round.hour", l.Short(h.Begins))
		}
		hv := hourView{Name: name, Overdue: h.Overdue}
		for _, s := range h.Stops {
			hv.Stops = append(hv.Stops, l.stopView(s, w.Nurse))
		}
		all = append(all, h.Stops...)
		v.Hours = append(v.Hours, hv)
	}
	v.Owed = owedSets(all)
	v.Beds = text.Plural(len(w.Beds), text.Say("counts.patient"), text.Say("counts.patients"))
	for _, bed := range w.Quiet {
		if bed == "" {
			bed = text.Say("huddle.no-bed")
		}
		v.Quiet = append(v.Quiet, bed)
	}
	return v
}

func (l lister) stopView(s rounds.Stop, nurse string) stopView {
	a := s.Of
	v := stopView{
		personView: l.person(a), Clock: l.Short(s.At), Late: s.Overdue, Blocked: s.Blocked, Taken: s.Taken != nil,
		Marks: l.marks[a.Digest.StayID],
		Watch: parts.EmergencyBriefs(l.Times, a.Emergencies),
	}
	if s.Taken != nil {
		v.Idle = idleOf(s)
		v.Set = parts.FoundOf(l.Times, a.Digest, *s.Taken)
		return v
	}
	if set := a.Digest.LatestSet(); set != nil {
		v.Set = parts.FoundOf(l.Times, a.Digest, *set)
	}
	v.Why = text.RecheckWhy(a.Recheck.Rule, a.Recheck.Drug, a.Recheck.Change)
	v.Watch = append(v.Watch, text.Missing(a.Recheck.Missing)...)
	if !s.Blocked {
		v.Minutes = text.Say(
			"round.minutes", text.Figure(s.Lying+s.Standing), text.Figure(s.Lying), text.Figure(s.Standing),
		)
		v.Two = twoOf(s.Two)
		v.Watch = append(v.Watch, parts.SetNotes(l.Times, a)...)
		if l.sees.sets {
			v.SetURL = frame.SetURL(a.Digest.StayID)
		}
	}
	event := ""
	for _, m := range v.Marks {
		switch m.Kind {
		case fell: // which stands with two people
			event = m.Says
		case blocked: // which stands above
		case bleeds:
			if event != "" { // it tells of the drug since when, or until when
				v.Watch = append(v.Watch, event)
				continue
			}
			v.Watch = append(v.Watch, text.Say("round.bleeds", m.Says))
		default:
			v.Watch = append(v.Watch, m.Says)
		}
	}
	v.Watch = trends.Distinct(v.Watch)
	for _, t := range l.owedTo(a) {
		inHand := t.State == episodes.Assigned || t.State == episodes.Taken
		if inHand && t.Due != nil && t.Due.At != nil && t.Owner() != nurse {
			v.Owner = t.Owner()
		}
	}
	return v
}

// idleOf says why a set that was taken is not crossed off; "" for one that is.
func idleOf(s rounds.Stop) string {
	switch {
	case !s.Taken.Interpretable():
		return text.Say("round.idle-unread")
	case s.Left != nil:
		return text.Say("round.idle-left", text.RecheckWhy(s.Left.Rule, s.Left.Drug, s.Left.Change))
	}
	return ""
}

// twoOf says that two people go, and why; "" for one.
func twoOf(why []string) string {
	if len(why) == 0 {
		return ""
	}
	says := map[string]string{
		rounds.TwoStopped: text.Say("round.two-stopped"), rounds.TwoFell: text.Say("round.two-fell"),
		rounds.TwoLow: text.Say("round.two-low"),
	}
	words := make([]string, len(why))
	for n, w := range why {
		words[n] = says[w]
	}
	return text.Say("round.two", strings.Join(words, ", "))
}

// giveBeds gives the beds of a range to a nurse until the end of the shift, or back.
func (s *service) giveBeds(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Shift == nil {
		return frame.NotFound()
	}
	ctx, unit, now := c.Request.Context(), c.Param("unit"), s.Clock()
	b := records.GivenBeds{
		Unit: unit, From: shortText(form.Get("from")), To: shortText(form.Get("to")),
		Nurse: strings.Join(strings.Fields(form.Get("nurse")), " "), Who: frame.AccountOf(c).Name, At: now,
		Until: alerts.NextShift(s.PolicyFor(ctx).Policy.Unit, s.Zone, now),
	}
	if b.To == "" {
		b.To = b.From
	}
	kept, err := s.answerAbout(ctx, unit, frame.Asked{At: s.Now(c), Live: true})
	if err != nil {
		return nil, err
	}
	if number := form.Get("of"); number != "" {
		return s.takeBedsBack(c, number, takenBeds(kept.answer.list))
	}
	if wrong := wrongBeds(b, kept.answer.list); wrong != "" {
		typed := giveBedsView{From: form.Get("from"), To: form.Get("to"), Nurse: b.Nurse, Wrong: wrong}
		return s.showRound(c, http.StatusUnprocessableEntity, typed)
	}
	if form.Get("sure") != sureOf(b.From, b.To) {
		if asks, do := doubtedBeds(b, kept.answer.list); asks != "" {
			typed := giveBedsView{From: b.From, To: b.To, Nurse: b.Nurse, Wrong: asks, Sure: sureOf(b.From, b.To), Do: do}
			return s.showRound(c, http.StatusUnprocessableEntity, typed)
		}
	}
	note := "beds " + b.From + " to " + b.To + ": " + b.Nurse
	if b.Nurse == "" {
		note = "beds " + b.From + " to " + b.To + " given back"
	}
	e := records.AuditEntry{Did: audit.Change, Unit: unit, Outcome: frame.Allowed, Note: note}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	if err := s.Shift.GiveBeds(ctx, b); err != nil {
		return nil, err
	}
	return frame.SeeOther(frame.RoundURL(unit) + "#given")
}

// takeBedsBack takes back what a range gives still; beds of it that were given to another nurse since stay theirs.
func (s *service) takeBedsBack(c *frame.Request, number string, beds []string) (frame.Page, error) {
	ctx, unit, now := c.Request.Context(), c.Param("unit"), s.Clock()
	given, err := s.Shift.BedsGiven(ctx, unit, now)
	if err != nil {
		return nil, err
	}
	done := frame.RoundURL(unit) + "#given"
	n := slices.IndexFunc(given, func(g records.GivenBeds) bool { return strconv.FormatInt(g.Number, 10) == number })
	if n < 0 || given[n].Nurse == "" {
		return frame.SeeOther(done)
	}
	held := rounds.Held(given, n, beds)
	if len(held) == 0 { // taken back already
		return frame.SeeOther(done)
	}
	e := records.AuditEntry{
		Did: audit.Change, Unit: unit, Outcome: frame.Allowed,
		Note: "beds " + strings.Join(held, ", ") + " of " + given[n].Nurse + " given back",
	}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	if err := s.Shift.GiveBeds(ctx, rounds.TakenBack(given, n, frame.AccountOf(c).Name, now)...); err != nil {
		return nil, err
	}
	return frame.SeeOther(done)
}

// wrongBeds says what is wrong with a range that was typed; "" for nothing.
func wrongBeds(b records.GivenBeds, list []alerts.Assessment) string {
	switch {
	case b.From == "":
		return text.Say("round.wrong-none")
	case alerts.CompareBeds(b.From, b.To) > 0:
		return text.Say("round.wrong-order", b.From, b.To)
	case utf8.RuneCountInString(b.Nurse) > maxNurse:
		return text.Say("round.wrong-nurse", utf8.RuneCountInString(b.Nurse), maxNurse)
	case strings.ContainsFunc(b.Nurse, func(r rune) bool { return !unicode.IsPrint(r) }):
		return text.Say("round.wrong-unseen")
	}
	for _, a := range list {
		if bed := a.Digest.Stay.Bed; bed != "" && alerts.BedWithin(bed, b.From, b.To) {
			return ""
		}
	}
	return text.Say("round.wrong-empty", b.From, b.To)
}

// doubtedBeds asks about a range of which an end names no bed that somebody lies in, with how
// many beds it is: a slip of the finger makes it the whole unit. do are the words of the button
// that gives it all the same; both are "" where nothing is to be asked.
func doubtedBeds(b records.GivenBeds, list []alerts.Assessment) (asks, do string) {
	var within []string
	from, to := false, false
	for _, a := range list {
		bed := a.Digest.Stay.Bed
		if bed == "" || !alerts.BedWithin(bed, b.From, b.To) {
			continue
		}
		within = append(within, bed)
		from, to = from || alerts.BedWithin(bed, b.From, b.From), to || alerts.BedWithin(bed, b.To, b.To)
	}
	if from && to || len(within) == 0 {
		return "", ""
	}
	slices.SortFunc(within, alerts.CompareBeds)
	within = slices.Compact(within)
	var empty []string
	if !from {
		empty = append(empty, b.From)
	}
	if !to && b.To != b.From {
		empty = append(empty, b.To)
	}
	count := text.Plural(len(within), text.Say("round.bed"), text.Say("round.beds"))
	asks = text.Say("round.doubt", text.Or(empty), b.From, b.To, count, within[0], within[len(within)-1])
	return asks, text.Say("round.give-sure", count)
}
