package bedside

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// The emergencies of a set. Common practice, no source.
const (
	lostConsciousness = "loss"
	chestPain         = "chest"
	lowAtRest         = "low"    // lying systolic under 90
	unreadable        = "unread" // the cuff could not read
	beyondBelief      = "range"  // outside V-PLAUSIBLE: a slip, or a true extreme
)

// emergencyView says what an emergency is, and what is done at once.
type emergencyView struct{ Code, Why, Do string }

func emergency(code string) emergencyView {
	v := emergencyView{Code: code}
	switch code {
	case lostConsciousness:
		v.Why, v.Do = text.Say("bedside.em-loss"), text.Say("bedside.em-loss-do")
	case chestPain:
		v.Why, v.Do = text.Say("bedside.em-chest"), text.Say("bedside.em-chest-do")
	case lowAtRest:
		v.Why = text.Say("bedside.em-low", text.Figure(trends.LowSystolic()))
		v.Do = text.Say("bedside.em-low-do")
	case unreadable:
		v.Why, v.Do = text.Say("bedside.em-unread"), text.Say("bedside.em-unread-do")
	default:
		v.Why, v.Do = text.Say("bedside.em-range"), text.Say("bedside.em-range-do")
	}
	return v
}

// Emergencies are those that the script can show, the most pressing first.
func (setForm) Emergencies() []emergencyView {
	var out []emergencyView
	for _, code := range []string{lostConsciousness, chestPain, lowAtRest, unreadable, beyondBelief} {
		out = append(out, emergency(code))
	}
	return out
}

// emergenciesOf are the emergencies that a set tells, or that its refusal may hide, the
// most pressing first.
func emergenciesOf(set bedside.Set, problems []bedside.Problem) (out []emergencyView) {
	base := set.Baseline()
	felt := func(symptom string) bool {
		return slices.ContainsFunc(set.Readings, func(r bedside.Reading) bool { return slices.Contains(r.Symptoms, symptom) })
	}
	add := func(holds bool, code string) {
		if holds {
			out = append(out, emergency(code))
		}
	}
	add(felt(clinical.LossOfConsciousness), lostConsciousness)
	add(felt(clinical.HoldChestPain), chestPain)
	add(base.Position != clinical.Standing && base.Systolic != nil && trends.IsLowLying(*base.Systolic), lowAtRest)
	add(slices.ContainsFunc(set.Readings, func(r bedside.Reading) bool { return r.Unread }), unreadable)
	add(slices.ContainsFunc(problems, func(p bedside.Problem) bool { return p.Why == bedside.OutOfRange }), beyondBelief)
	return out
}

// Whom are those who can be told of an emergency.
func (setForm) Whom() []option { return whom() }

// Whom is the same on the page of the result.
func (setResult) Whom() []option { return whom() }

func whom() []option {
	return zip(bedside.Whoms, []string{text.Say("bedside.told-provider"), text.Say("bedside.told-charge")})
}

// toldOf says who was told of the emergencies of a set: with it, or from its result.
func (s *service) toldOf(c *frame.Request, t frame.Times, kept bedside.Kept) (out []string, err error) {
	all, err := bedside.ToldOf(c.Request.Context(), kept, s.Sets)
	for _, told := range all {
		for _, w := range whom() {
			if w.Value == told.Whom {
				out = append(out, text.Say("bedside.told-at", w.Name, t.Time(told.At)))
			}
		}
	}
	return out, err
}

// tell keeps that somebody was told of the emergency of a set that is stored. It is an
// event of the app, kept once, and no fact of the stay.
func (s *service) tell(c *frame.Request) (frame.Page, error) {
	seen := frame.StayOf(c)
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	id, to := form.Get("set"), form.Get("told")
	if s.Sets == nil || !seen.When.Live || !slices.Contains(bedside.Whoms, to) {
		return frame.Tell(http.StatusBadRequest, text.Say("bedside.title"), text.Say("bedside.wrong-told"))
	}
	stayID := seen.View.Assessment.Digest.StayID
	if _, err := s.Sets.Kept(c.Request.Context(), stayID, id); err != nil {
		return nil, err
	}
	told := bedside.Told{Whom: to, At: s.Clock()}
	if err := s.Sets.Tell(c.Request.Context(), stayID, id, frame.AccountOf(c).Name, told); err != nil {
		return nil, err
	}
	s.tellEpisodes(c, stayID, id, []bedside.Told{told})
	return frame.SeeOther(frame.SetURL(stayID) + "?sent=" + url.QueryEscape(id))
}

// tellEpisodes says of the episodes that a set has opened that the provider was told, as
// whoever took it has tapped: it is not asked for a second time. The set is stored, so an
// error stops nothing: the episode then stays on the list.
func (s *service) tellEpisodes(c *frame.Request, stayID, setID string, told []bedside.Told) {
	n := slices.IndexFunc(told, func(t bedside.Told) bool { return t.Whom == bedside.TheProvider })
	if n < 0 || s.Episodes == nil {
		return
	}
	all, err := s.Episodes.Stay(c.Request.Context(), stayID)
	ofSet := func(f records.FactName) bool { return bedside.FormOf(f.SourceID) == setID }
	for _, h := range all {
		e := h.Episode
		if e.Kind != episodes.TellProvider || !e.Active() || !slices.ContainsFunc(e.Facts, ofSet) {
			continue
		}
		a := episodes.Action{
			Do: episodes.Tell, Who: frame.AccountOf(c).Name, Name: text.Say("bedside.told-provider"), ToldAt: told[n].At,
		}
		if _, acting := s.Episodes.Act(c.Request.Context(), e.ID, a, s.Clock()); err == nil {
			err = acting
		}
	}
	if err != nil {
		s.Log.Error("that the provider was told is not said of the episode; it stays on the list", "error", err)
	}
}

// dropsOf are the drops in mmHg at which a set is positive, for the script, which decides
// without a network whether the patient stands on: systolic and diastolic from lying, the
// same from sitting, and "more_than" where they must be passed.
func dropsOf(p clinical.SetPolicy) string {
	var out []string
	for _, kind := range []string{trends.LyingToStanding, trends.SittingToStanding} {
		systolic, diastolic := trends.DropsOf(kind)
		for _, v := range []float64{systolic, diastolic} {
			out = append(out, strconv.FormatFloat(v, 'f', -1, 64))
		}
	}
	return strings.Join(append(out, p.Comparison), " ")
}
