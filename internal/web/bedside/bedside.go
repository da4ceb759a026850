package bedside

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// SetKeeper takes in the sets sent from the bedside.
type SetKeeper interface {
	// Record stores a set once: one sent again is answered as it was first kept. The
	// error carries clinical.Conflict where other content was sent under its id.
	Record(ctx context.Context, unit string, k bedside.Kept) (bedside.Kept, error)
	// Kept is a set of a stay; the error carries clinical.NotFound where there is none.
	Kept(ctx context.Context, stayID, setID string) (bedside.Kept, error)
	// Charted lists who charted what of a stay on pages, and when: a set's id is its message's.
	Charted(ctx context.Context, stayID string) ([]records.Message, error)
	// Tell keeps once that somebody was told of the emergency of a set, and Told is what was
	// kept; its error carries clinical.NotFound where nobody was.
	Tell(ctx context.Context, stayID, setID, who string, told bedside.Told) error
	Told(ctx context.Context, stayID, setID, whom string) (bedside.Told, error)
	// Chart stores what is charted on a page, once; see Keeper.Chart.
	Chart(ctx context.Context, unit string, c bedside.Charting) error
	// Measured and MeasuredBefore are of what devices measured; see Keeper.
	Measured(ctx context.Context, unit string, m bedside.Measured) (records.Taken, error)
	MeasuredBefore(ctx context.Context, m bedside.Measured) (records.Message, error)
}

// option is an answer that a form offers.
type option struct{ Value, Name string }

// setForm is the form of a set. As a shell it knows no patient and no account: a
// browser keeps it, to be opened without the network.
type setForm struct {
	frame.Layout
	Shell               bool
	StayID, Bed, Name   string
	Action              string
	PatientID, Age      string
	Chooser             frame.Link
	Account             int64
	SetID               string
	ServerNow, ZoneName string
	Low                 string // mmHg
	Plausible           clinical.PlausiblePolicy
	Died                *death
	Charted             []option    // what the chart holds against standing
	NoCuff              []limbView  // that must not be measured
	Stand               string      // for how long the patient stands, where that is longer than usual
	Clear               string      // how long that is in minutes; "" for the usual readings
	Window              string      // minutes from the reading at rest to standing, at most
	Drops               string      // mmHg at which a set is positive: see dropsOf
	Others              []string    // sets that others have begun on this patient
	AsLast              *asLast     // what was so at the last set; nil where it is not offered
	LowBefore           *parts.Low  // a low pressure at rest that was charted before
	Before              []parts.Low // emergencies that no rule of the list tells
	AskedBefore         []option    // the same and others, asked about before the patient stands
	Latest              *parts.SetLine
	Emergency           []emergencyView // what a set that is refused, or is being taken, tells at once
	Discharged          *frame.Moment   // nil for one who is there
	Problems            []fieldProblem
	Doubts              []doubt
	typed               url.Values
}

// death is that the patient died of a fall by the chart. The form asks about it before anything.
type death struct {
	Says  string
	Right option // the answer to it
	On    bool   // it was given
}

// deathOf is nil where the patient did not die of a fall.
func deathOf(t frame.Times, a alerts.Assessment) *death {
	fell := a.DiedOf()
	if fell == nil {
		return nil
	}
	return &death{Says: text.Say("bedside.died", t.Time(*fell)), Right: option{"died", text.Say("bedside.died-right")}}
}

type fieldProblem struct{ Field, Text string }

// limbView is a limb that must not be measured.
type limbView struct {
	ID, Limb, Text string
	Own            bool // charted here, and can be taken back here
}

func limbsOf(t frame.Times, a alerts.Assessment) (out []limbView) {
	for _, r := range a.Restrictions() {
		out = append(out, limbView{r.SourceID, r.Limb, t.Restriction(r), bedside.FormOf(r.SourceID) != ""})
	}
	return out
}

// field is one field of the form with what was typed into it.
type field struct {
	Name, Label, Unit, Value string
	Wrong                    bool
}

// Field is a field of the form, for its template.
func (v setForm) Field(name, label, unit string) field {
	wrong := slices.ContainsFunc(v.Problems, func(p fieldProblem) bool { return p.Field == name })
	return field{name, label, unit, v.typed.Get(name), wrong}
}

// Typed is what was typed into a field.
func (v setForm) Typed(name string) string { return v.typed.Get(name) }

// answerView is one answer of a question, for its template.
type answerView struct {
	Kind, Name, Value, Label string
	On                       bool
}

// Choice is one answer of a question; kind is radio or checkbox.
func (v setForm) Choice(kind, name string, o option) answerView {
	return answerView{kind, name, o.Value, o.Name, slices.Contains(v.typed[name], o.Value)}
}

// Mobilities and what follows are the answers that the form offers.
func (setForm) Mobilities() []option {
	return []option{
		{bedside.MayStand, text.Say("bedside.mobility-stand")}, {bedside.MaySit, text.Say("bedside.mobility-sit")},
		{bedside.InBed, text.Say("bedside.mobility-bed")},
	}
}

// Holds leaves out bed rest, which is asked for among the mobilities.
func (setForm) Holds() []option {
	var out []option
	for _, hold := range clinical.StandingHolds {
		if hold != clinical.HoldBedRest {
			out = append(out, option{hold, holdName(hold)})
		}
	}
	return out
}

func holdName(hold string) string {
	switch hold {
	case clinical.HoldChestPain:
		return text.Say("bedside.hold-chest-pain")
	case clinical.HoldFracture:
		return text.Say("bedside.hold-fracture")
	case clinical.HoldHeadOrSpine:
		return text.Say("bedside.hold-head")
	case clinical.HoldBedRest:
		return text.Say("bedside.hold-bed-rest")
	}
	return hold
}

func (setForm) Limbs() []option {
	names := []string{
		text.Say("bedside.left-arm"), text.Say("bedside.right-arm"), text.Say("bedside.left-leg"),
		text.Say("bedside.right-leg"),
	}
	return zip(clinical.Limbs, names)
}

// LimbReasons say why a limb must not be measured.
func (setForm) LimbReasons() []option {
	return zip(clinical.RestrictionReasons, []string{
		text.Say("bedside.because-fistula"), text.Say("bedside.because-nodes"), text.Say("bedside.because-infusion"),
		text.Say("bedside.because-injury"), text.Say("bedside.because-other"),
	})
}

// Unread is the answer that the cuff could not read, PlainReading that no set is meant.
func (setForm) Unread() option       { return option{"yes", text.Say("bedside.could-not-read")} }
func (setForm) PlainReading() option { return option{"yes", text.Say("bedside.plain")} }

func (setForm) RestPositions() []option {
	return []option{
		{string(clinical.Lying), text.Say("bedside.position-lying")},
		{string(clinical.Sitting), text.Say("bedside.position-sitting-rest")},
	}
}

func (setForm) UprightPositions() []option {
	return []option{
		{string(clinical.Standing), text.Say("bedside.position-standing")},
		{string(clinical.Sitting), text.Say("bedside.position-sitting")},
	}
}

func (setForm) Symptoms() []option {
	return zip(clinical.Symptoms, []string{
		text.Say("bedside.symptom-dizziness"), text.Say("bedside.symptom-lightheadedness"),
		text.Say("bedside.symptom-faintness"), text.Say("bedside.symptom-loss"),
		text.Say("bedside.symptom-confusion"), text.Say("bedside.symptom-vision"), text.Say("bedside.symptom-weakness"),
		text.Say("bedside.symptom-nausea"),
		text.Say("bedside.symptom-palpitations"), text.Say("bedside.symptom-chest-pain"), text.Say("bedside.symptom-breath"),
		text.Say("bedside.symptom-neck"),
		text.Say("bedside.symptom-unsteady"), text.Say("bedside.symptom-other"),
	})
}

func zip(values, names []string) []option {
	out := make([]option, len(values))
	for n, v := range values {
		out[n] = option{v, names[n]}
	}
	return out
}

// blankForm is the form without a patient.
func (s *service) blankForm(c *frame.Request, f frame.Layout) setForm {
	p := s.PolicyOf(c).Policy
	return setForm{
		Layout: f, SetID: bedside.NewID(), ZoneName: s.Zone.String(), Low: text.Figure(trends.LowSystolic()),
		Plausible: p.Plausible, Drops: dropsOf(p.Sets), Window: text.Figure(p.Sets.WindowMinutes), typed: url.Values{
			"base_position": {string(clinical.Lying)}, "first_position": {string(clinical.Standing)},
			"second_position": {string(clinical.Standing)}, "third_position": {string(clinical.Standing)},
			"stop_position": {string(clinical.Standing)},
		},
	}
}

func (s *service) formOf(c *frame.Request, view assess.StayView) setForm {
	stay := view.Assessment.Digest.Stay
	v := s.blankForm(c, s.Layout(c, text.Say("bedside.title")))
	now := s.Clock()
	v.StayID, v.Bed, v.Account = view.Assessment.Digest.StayID, stay.Bed, frame.AccountOf(c).ID
	if frame.AccountOf(c).May(records.ViewNames) {
		v.Name, v.PatientID, v.Age = stay.Name, stay.PatientID, parts.AgeOf(stay, s.Times(now, true))
	}
	v.Action = frame.SetURL(v.StayID)
	v.Chooser = frame.Link{Name: text.Say("bedside.choose-another", stay.Unit), URL: frame.ChooseURL(stay.Unit)}
	v.ServerNow = now.UTC().Format("2006-01-02T15:04:05.000Z07:00")
	hindrances := alerts.Hindrances(view.Assessment.Digest)
	v.Charted = zip(hindrances, text.Missing(hindrances))
	t := s.Times(now, true)
	v.NoCuff = limbsOf(t, view.Assessment)
	if !view.Assessment.Died() {
		v.Stand = text.StandFor(view.Assessment.Digest.Serial)
	}
	if v.Stand != "" {
		v.Clear = text.Figure(*view.Assessment.Digest.Serial.ClearMinutes)
	}
	v.Died = deathOf(t, view.Assessment)
	v.LowBefore, v.Before = parts.LowOf(t, view.Assessment.LowAtRest), parts.EmergenciesOf(t, view.Assessment.Emergencies)
	for _, w := range view.Assessment.Warnings {
		v.AskedBefore = append(v.AskedBefore, option{warningCode(w), text.Say("bedside.stand-before", t.WarningTime(w))})
	}
	for _, b := range s.begun.others(v.StayID, v.Account, now) {
		v.Others = append(v.Others, text.Say("bedside.begun-by", b.who, t.Time(b.at)))
	}
	if set := view.Assessment.Digest.LatestSet(); set != nil {
		v.Latest = parts.SetLineOf(t, view.Assessment.Digest, *set)
	}
	v.AsLast = asLastOf(view.Assessment)
	v.Discharged = dischargeOf(t, stay)
	return v
}

// asLast are the answers of the last set: one tap says that they hold now.
type asLast struct{ Mobility, Limb, Says string }

// asLastOf is nil where the chart holds anything against standing or against the limb, where the last
// set tells no limb, or where anything was felt or went wrong at it: then each question is asked.
func asLastOf(a alerts.Assessment) *asLast {
	set := a.Digest.LatestSet()
	if set == nil || set.Baseline == nil || set.Baseline.Position != clinical.Lying || set.Decisive() == nil {
		return nil
	}
	limb := slices.Index(clinical.Limbs, string(set.Baseline.Limb))
	ofLimb := func(r trends.RestrictionFact) bool { return r.Limb == string(set.Baseline.Limb) }
	held := slices.ContainsFunc(a.Restrictions(), ofLimb)
	doubtful := a.Died() || a.LowAtRest != nil || a.ChestPain != nil || len(a.Emergencies) > 0 || len(set.AtRest) > 0 ||
		set.StoppedEarly || set.Meets(trends.CritStopped) || len(alerts.Hindrances(a.Digest)) > 0
	if limb < 0 || held || doubtful {
		return nil
	}
	last := asLast{Mobility: bedside.MayStand, Limb: clinical.Limbs[limb]}
	word := text.Say("bedside.as-last-stand")
	if set.Decisive().Position == clinical.Sitting {
		last.Mobility, word = bedside.MaySit, text.Say("bedside.as-last-sit")
	}
	last.Says = text.Say("bedside.as-last", word, last.Limb)
	return &last
}

// discharge is when a patient has left; nil for one who is there, or goes later.
func dischargeOf(t frame.Times, stay clinical.Stay) *frame.Moment {
	if stay.DischargedAt == nil || stay.DischargedAt.After(t.At) {
		return nil
	}
	return t.MomentAgo(*stay.DischargedAt)
}

// setPage is the form of a set, or what became of one that was sent.
func (s *service) setPage(c *frame.Request) (frame.Page, error) {
	seen := frame.StayOf(c)
	if !seen.When.Live {
		return frame.Tell(http.StatusBadRequest, text.Say("bedside.title"), text.Say("bedside.wrong-moment"))
	}
	if id := c.Query("sent"); id != "" {
		return s.showResult(c, seen.View, id)
	}
	return frame.Show(http.StatusOK, "bedside", s.formOf(c, seen.View))
}

// setShell is the form without patient or account, which a browser keeps.
func (s *service) setShell(c *frame.Request) (frame.Page, error) {
	v := s.blankForm(c, s.Bare(c, text.Say("bedside.title")))
	v.Shell = true
	return frame.Show(http.StatusOK, "bedside", v)
}

// setWorker is the script that opens the form without the network. It names the files
// that a browser keeps for it, and so changes with each of them.
func (s *service) setWorker(c *frame.Request) (frame.Page, error) {
	return s.Worker("bedside-worker.js",
		"/new-set-shell", s.AssetURL("app.css"), s.AssetURL("app.js"), s.AssetURL("bedside.css"), s.AssetURL("bedside.js"),
		"/new-set-beds-shell",
	)
}

// sendSet takes in a set. A script asks for JSON, a plain form for a page.
func (s *service) sendSet(c *frame.Request) (frame.Page, error) {
	seen := frame.StayOf(c)
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if !seen.When.Live || s.Sets == nil {
		return frame.Tell(http.StatusBadRequest, text.Say("bedside.title"), text.Say("bedside.wrong-moment"))
	}
	digest := seen.View.Assessment.Digest
	now := s.Clock()
	v := s.formOf(c, seen.View)
	set, problems := bedside.Read(form, bedside.Options{
		Options: feed.Options{Zone: s.Zone, Now: now}, StayID: digest.StayID, AdmittedAt: digest.Stay.AdmittedAt,
		Plausible: v.Plausible, Restrictions: ownRestrictions(digest), Sender: frame.ClearsNobody(frame.AccountOf(c)),
	})
	v.typed, v.SetID = form, form.Get("set")
	if v.Died != nil {
		v.Died.On = slices.Contains(form["confirm"], v.Died.Right.Value)
	}
	if opened := form.Get("account"); opened != "" && opened != strconv.FormatInt(v.Account, 10) {
		return s.refuseAccount(c, v)
	}
	if again, err := s.repeated(c, form, digest.StayID); again != nil || err != nil {
		return again, err
	}
	if len(problems) == 0 {
		problems = uncleared(set, digest)
	}
	for _, p := range problems {
		if p.Field == "set" {
			v.SetID = bedside.NewID()
		}
		v.Problems = append(v.Problems, fieldProblem{p.Field, s.problemText(p, v, now)})
	}
	if len(problems) == 0 {
		if v.Died != nil {
			v.Doubts = append(v.Doubts, doubt{option{v.Died.Right.Value, v.Died.Says}, v.Died.On})
		}
		v.Doubts = append(v.Doubts, warnedOf(set, seen.View.Assessment.Warnings, s.Times(now, true), form["confirm"])...)
		v.Doubts = append(v.Doubts, doubtsOf(set, digest, s.PolicyOf(c).Policy, form["confirm"])...)
	}
	v.Emergency = emergenciesOf(set, problems)
	if len(v.Problems)+len(v.Unsure()) > 0 {
		return s.sendBack(c, v)
	}
	kept, err := s.Sets.Record(
		c.Request.Context(), digest.Stay.Unit, bedside.Kept{Set: set, Who: frame.AccountOf(c).Name, At: now},
	)
	switch {
	case clinical.CodeOf(err) == clinical.Conflict:
		return s.refuseSet(c, v)
	case err != nil:
		return nil, err
	default:
		return s.stored(c, kept)
	}
}

// stored leads to what became of a set that is stored.
func (s *service) stored(c *frame.Request, kept bedside.Kept) (frame.Page, error) {
	s.begun.end(kept.StayID, kept.ID)
	s.tellEpisodes(c, kept.StayID, kept.ID, kept.Told)
	to := frame.SetURL(kept.StayID) + "?sent=" + url.QueryEscape(kept.ID)
	if wantsJSON(c) {
		return frame.Document(http.StatusOK, map[string]string{"result": to})
	}
	return frame.SeeOther(to)
}

// repeated answers a set that is stored already, as a browser sends it again whose answer was
// lost: as the first time, whatever has come since. It is read as it was then, for by now an
// injury may block standing, a day may have passed, or a limit of the policy have moved. Nil
// where no such set is stored, or another one: that is then refused.
func (s *service) repeated(c *frame.Request, form url.Values, stayID string) (frame.Page, error) {
	kept, err := s.Sets.Kept(c.Request.Context(), stayID, strings.ToLower(strings.TrimSpace(form.Get("set"))))
	if clinical.CodeOf(err) == clinical.NotFound {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if again, problems := bedside.Read(form, bedside.OptionsOf(kept, s.Zone)); len(problems) == 0 && again.Sum() == kept.Sum() {
		return s.stored(c, kept)
	}
	return nil, nil
}

func wantsJSON(c *frame.Request) bool { return c.GetHeader("Accept") == "application/json" }

// reply is what a script is told of a set that was not stored.
type reply struct {
	Problems []replyProblem `json:"problems"`
	Doubts   []replyDoubt   `json:"doubts"`
}

type replyProblem struct {
	Field string `json:"field"`
	Text  string `json:"text"`
}

type replyDoubt struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

func replyOf(v setForm) reply {
	out := reply{[]replyProblem{}, []replyDoubt{}} // empty, never null
	for _, p := range v.Problems {
		out.Problems = append(out.Problems, replyProblem(p))
	}
	for _, d := range v.Unsure() {
		out.Doubts = append(out.Doubts, replyDoubt{d.Value, d.Name})
	}
	return out
}

// sendBack answers with what must be put right or confirmed; nothing is stored.
func (s *service) sendBack(c *frame.Request, v setForm) (frame.Page, error) {
	if !wantsJSON(c) {
		return frame.Show(http.StatusUnprocessableEntity, "bedside", v)
	}
	return frame.Document(http.StatusUnprocessableEntity, replyOf(v))
}

// refuseAccount refuses a set whose form was opened by another account than the one that
// sends it: a set bears the name of whoever took it. The script keeps the set until that
// account has signed in again.
func (s *service) refuseAccount(c *frame.Request, v setForm) (frame.Page, error) {
	v.Problems = []fieldProblem{{"set", text.Say("bedside.wrong-account")}}
	if wantsJSON(c) {
		return frame.Document(http.StatusUnauthorized, replyOf(v))
	}
	return frame.Show(http.StatusConflict, "bedside", v)
}

func (s *service) refuseSet(c *frame.Request, v setForm) (frame.Page, error) {
	v.Problems = []fieldProblem{{"set", text.Say("bedside.conflict")}}
	if wantsJSON(c) {
		return frame.Document(http.StatusConflict, replyOf(v))
	}
	return frame.Show(http.StatusConflict, "bedside", v)
}

// ownRestrictions are the limbs that were said here not to be measured: what a form can
// take back. Those of feeds end in the hospital's own record.
func ownRestrictions(d trends.Digest) map[string]clinical.Restriction {
	out := map[string]clinical.Restriction{}
	for _, r := range d.Restrictions {
		if bedside.FormOf(r.SourceID) != "" {
			out[r.SourceID] = clinical.Restriction{Limb: r.Limb, Reason: r.Reason, StartedAt: r.From}
		}
	}
	return out
}

// What standing after an injury lacks.
const (
	notCleared    bedside.Why = "not_cleared"
	clearedBefore bedside.Why = "cleared_before" // before the injury that blocks it
)

// uncleared is what a set lacks whose patient was put upright while an injury blocks that:
// who cleared it, and when. It is not confirmed by a tap.
func uncleared(set bedside.Set, d trends.Digest) []bedside.Problem {
	if !set.Upright() || !slices.Contains(alerts.Hindrances(d), alerts.InjuryUncleared) {
		return nil
	}
	if set.Cleared == nil {
		return []bedside.Problem{{Field: "cleared_by", Why: notCleared}}
	}
	for _, f := range d.Falls {
		if from, blocks := f.BlocksFrom(); blocks && set.Cleared.ClearedAt.Before(from) {
			return []bedside.Problem{{Field: "cleared_at", Why: clearedBefore}}
		}
	}
	return nil
}

func readingName(name string) string {
	switch name {
	case bedside.Base:
		return text.Say("bedside.field-base")
	case bedside.First:
		return text.Say("bedside.field-first")
	case bedside.Second:
		return text.Say("bedside.field-second")
	case bedside.Third:
		return text.Say("bedside.field-third")
	}
	return text.Say("bedside.field-stop")
}

// fieldName is a field of the form in words.
func fieldName(name string) string {
	switch name {
	case "mobility":
		return text.Say("bedside.field-mobility")
	case "hold", "no_holds":
		return text.Say("bedside.field-hold")
	case "limb":
		return text.Say("bedside.field-limb")
	case "restrict", "because", "lifted":
		return text.Say("bedside.field-restrict")
	case "cleared_by":
		return text.Say("bedside.cleared-by")
	case "cleared_at":
		return text.Say("bedside.cleared-at")
	case "told":
		return text.Say("bedside.field-told")
	case "plain":
		return text.Say("bedside.plain")
	case "symptom", "no_symptoms":
		return text.Say("bedside.field-symptoms")
	case "stopped":
		return text.Say("bedside.field-stop")
	case "set":
		return text.Say("bedside.field-set")
	}
	reading, part, _ := strings.Cut(name, "_")
	return text.Say("bedside.field-of", capital(readingName(reading)), partName(part))
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

func partName(part string) string {
	switch part {
	case "systolic":
		return strings.ToLower(text.Say("bedside.systolic"))
	case "diastolic":
		return strings.ToLower(text.Say("bedside.diastolic"))
	case "pulse":
		return strings.ToLower(text.Say("bedside.pulse"))
	case "position":
		return text.Say("bedside.part-position")
	case "minutes":
		return text.Say("bedside.part-minutes")
	case "unread":
		return text.Say("bedside.part-unread")
	}
	return text.Say("bedside.part-time")
}

// problemText says what is wrong with a field and what to do.
func (s *service) problemText(p bedside.Problem, v setForm, now time.Time) string {
	name := fieldName(p.Field)
	switch p.Why {
	case bedside.NotNumber:
		if strings.HasSuffix(p.Field, "_minutes") {
			return text.Say("bedside.wrong-minutes", name)
		}
		low, high := limitsOf(p.Field, v.Plausible)
		return text.Say("bedside.wrong-number", name, low, high)
	case bedside.OutOfRange:
		low, high := limitsOf(p.Field, v.Plausible)
		return text.Say("bedside.wrong-range", name, v.Typed(p.Field), low, high)
	case bedside.NotBelow:
		return text.Say("bedside.wrong-below", name, v.Typed(p.Field))
	case bedside.NotStood:
		return text.Say("bedside.wrong-unread-stood", name)
	case bedside.Nobody:
		return text.Say("bedside.wrong-nobody", name, v.Typed(p.Field))
	case bedside.Own:
		return text.Say("bedside.wrong-own", name)
	case bedside.TooLong:
		return text.Say("bedside.wrong-long", name)
	case bedside.Late:
		return text.Say("bedside.wrong-late", name)
	case notCleared:
		return text.Say("bedside.wrong-uncleared")
	case clearedBefore:
		return text.Say("bedside.wrong-cleared-before")
	case bedside.NotTime:
		return text.Say("bedside.wrong-time", name)
	case bedside.NotOfList:
		return text.Say("bedside.wrong-list", name)
	case bedside.Ahead:
		return text.Say("bedside.wrong-ahead", name, now.In(s.Zone).Format("15:04"))
	case bedside.TooOld:
		return text.Say("bedside.wrong-old", name)
	case bedside.OutOfOrder:
		return text.Say("bedside.wrong-order", name)
	case bedside.Contrary:
		return text.Say("bedside.wrong-contrary", name)
	case bedside.NoPosition:
		return text.Say("bedside.wrong-position", name)
	case bedside.NoUpright:
		return text.Say("bedside.wrong-upright", name)
	}
	if p.Field == "set" {
		return text.Say("bedside.wrong-set")
	}
	return text.Say("bedside.wrong-missing", name)
}

// limitsOf are the limits of V-PLAUSIBLE for a field, in its unit.
func limitsOf(field string, p clinical.PlausiblePolicy) (low, high string) {
	switch {
	case strings.HasSuffix(field, "_systolic"):
		return text.Figure(p.SystolicMin), text.Figure(p.SystolicMax)
	case strings.HasSuffix(field, "_diastolic"):
		return text.Figure(p.DiastolicMin), text.Figure(p.DiastolicMax)
	}
	return text.Figure(p.PulseMin), text.Figure(p.PulseMax)
}

// setResult is what became of a set that was sent.
type setResult struct {
	frame.Layout
	Bed, Name, Patient string
	StayID, SetID      string
	Emergency          []emergencyView // what must be seen first
	Told               []string        // who was told of it
	Near               string          // another set minutes before or after it
	Plain              bool            // vital signs
	ReadAsSet          bool            // vital signs that make a set all the same (S-INFER)
	Cleared            string          // who cleared the patient to stand
	Limbs              []string        // that must not be measured from now on
	Chooser            frame.Link
	By                 string
	Set                *parts.Set
	Line               *parts.SetLine
	NotStood           string
	ToRecord           parts.RecordLine // what became of it on its way to the record
	Recheck            parts.RecheckView
	Lead               *parts.ReasonView
	Missing            []string
	InPlace            string // what is said of precautions where none is missing
	Unread             bool
	Tasks              []frame.Link  // episodes of the stay that are owed, where they stand on the patient's page
	Discharged         *frame.Moment // nothing is asked for any more
}

// showResult judges the set at this very moment and not, as other pages do, at the start
// of the minute: the set itself was recorded within that minute.
func (s *service) showResult(c *frame.Request, view assess.StayView, id string) (frame.Page, error) {
	ctx, stayID := c.Request.Context(), view.Assessment.Digest.StayID
	if s.Sets == nil {
		return frame.NotFound()
	}
	kept, err := s.Sets.Kept(ctx, stayID, id)
	if err != nil {
		return nil, err
	}
	at := s.Clock()
	if last := kept.LastTaken(); last.After(at) { // within the skew that is borne with
		at = last
	}
	if view, err = s.Patients.Stay(ctx, stayID, at); err != nil {
		return nil, err
	}
	a, stay := view.Assessment, view.Assessment.Digest.Stay
	t := s.Times(at, true)
	v := setResult{
		Layout: s.Layout(c, text.Say("bedside.result")).Live(at), Bed: stay.Bed, Patient: frame.StayURL(stayID),
		StayID: stayID, SetID: id, Plain: kept.Plain, Emergency: emergenciesOf(kept.Set, nil),
		Limbs:   parts.RestrictionsOf(t, a),
		Chooser: frame.Link{Name: text.Say("bedside.result-next-patient"), URL: frame.ChooseURL(stay.Unit)},
		By:      text.Say("bedside.result-by", kept.Who, t.Time(kept.At)), Recheck: parts.RecheckOf(t, a),
		Unread:     !kept.Plain,
		Discharged: dischargeOf(t, stay),
	}
	if v.Told, err = s.toldOf(c, t, kept); err != nil {
		return nil, err
	}
	if v.ToRecord, err = s.recordLineOf(c, stayID, id, s.Clock()); err != nil {
		return nil, err
	}
	if by := kept.Cleared; by != nil {
		v.Cleared = text.Say("bedside.result-cleared", by.By, t.Time(by.ClearedAt))
	}
	if frame.AccountOf(c).May(records.ViewNames) {
		v.Name = stay.Name
	}
	if against := againstStanding(kept.Set, alerts.Hindrances(a.Digest)); !kept.Upright() && len(against) > 0 {
		whys := make([]string, len(against))
		for n, why := range against {
			whys[n] = strings.ToLower(why.Name[:1]) + why.Name[1:]
		}
		v.NotStood = text.Say("bedside.result-not-stood-why", text.List(whys))
	}
	if a.Precautions.Needed && !a.Died() {
		v.Missing, v.InPlace = a.Precautions.Missing, parts.PrecautionsOf(a).Note
	}
	if v.Tasks, err = s.owedOf(c, stayID); err != nil {
		return nil, err
	}
	if reasons := parts.ReasonsOf(t, a); len(reasons) > 0 {
		v.Lead = &reasons[0]
	}
	for _, set := range a.Digest.Sets {
		if set.SetID == kept.ID || inferredOf(set, kept) {
			v.ReadAsSet = kept.Plain
			full := parts.SetOf(t, a.Digest, set)
			v.Set, v.Line, v.Unread = &full, parts.SetLineOf(t, a.Digest, set), false
			v.Near = parts.NearOf(a.Digest.Sets, set)
		}
	}
	return frame.Show(http.StatusOK, "bedsideresult", v)
}

// inferredOf reports whether a set was made of vital signs that were sent as no set: where a
// reading at rest and an upright one after it stand close enough they are one (S-INFER).
func inferredOf(set trends.Set, kept bedside.Kept) bool {
	return kept.Plain && slices.ContainsFunc(set.Facts, func(id string) bool { return bedside.FormOf(id) == kept.ID })
}

// owedOf lists the episodes owed for a stay. They are shown beside the recheck of the
// list, which does not say that the provider has to be told.
func (s *service) owedOf(c *frame.Request, stayID string) ([]frame.Link, error) {
	if s.Episodes == nil {
		return nil, nil
	}
	all, err := s.Episodes.Stay(c.Request.Context(), stayID)
	var out []frame.Link
	for _, e := range episodes.Things(care.Now(all), nil) {
		if frame.MayAct(frame.AccountOf(c), e.Episode, records.ViewStay) {
			out = append(out, frame.Link{Name: text.EpisodeKinds[e.Kind], URL: frame.StayURL(stayID) + "#" + parts.Anchor(e.Key)})
		}
	}
	return out, err
}

// takerView lists the patients of a unit for whoever takes sets.
type takerView struct {
	frame.Layout
	Shell     bool   // without unit or account: a browser keeps it, to be opened without the network
	ServerNow string // the server's clock
	Until     string // the end of the shift, for which a browser keeps the beds
	Unit      string
	List      frame.Link
	Units     []frame.Link // other units
	Account   int64
	ToRecord  []frame.Link // what of the unit's patients is not in the record yet
	Due       []chooseRow
	Others    []chooseRow
}

type chooseRow struct {
	Bed, Name, URL string
	Recheck        parts.RecheckView
	Limbs          []string // that must not be measured
	Low            string   // a low pressure at rest
	Kept           string   // what a browser keeps of the bed, as JSON; "" for who died
	Urgent         []string // a set stopped by symptoms, and pain in the chest, of the last hours
}

// urgentOf is what was an emergency at a set of the last hours, in a few words: whoever chooses
// a bed is to know it before the patient is asked to stand.
func urgentOf(t frame.Times, a alerts.Assessment) (out []string) {
	for _, r := range a.Reasons {
		if r.Rule == alerts.TStopped {
			out = append(out, t.Brief(r))
		}
	}
	if a.ChestPain != nil {
		out = append(out, t.ChestPainBrief(*a.ChestPain))
	}
	return append(out, parts.EmergencyBriefs(t, a.Emergencies)...)
}

// chooseSet lists those whose recheck is owed now in the order of the list, then
// everyone else by bed.
func (s *service) chooseSet(c *frame.Request) (frame.Page, error) {
	unit, now := c.Param("unit"), s.Now(c)
	list, err := s.Patients.Live(c.Request.Context(), unit, now)
	if err != nil {
		return nil, err
	}
	t := s.Times(now, true)
	v := takerView{
		Layout: s.Layout(c, text.Say("bedside.choose-title")).At(frame.ChooseURL(unit)).Live(now), Unit: unit,
		Account:   frame.AccountOf(c).ID,
		List:      frame.Link{Name: text.Say("bedside.list", unit), URL: frame.UnitURL(unit)},
		ServerNow: s.Clock().UTC().Format(time.RFC3339Nano),
		Until:     alerts.NextShift(s.PolicyOf(c).Policy.Unit, s.Zone, now).UTC().Format(time.RFC3339),
	}
	units, err := s.UnitsFor(c.Request.Context(), frame.AccountOf(c))
	if err != nil {
		return nil, err
	}
	for _, u := range units {
		if u != unit {
			v.Units = append(v.Units, frame.Link{Name: text.Say("bedside.choose-heading", u), URL: frame.ChooseURL(u)})
		}
	}
	if v.ToRecord, err = s.lateOf(c, unit, now); err != nil {
		return nil, err
	}
	byBed := slices.Clone(list)
	slices.SortStableFunc(
		byBed, func(a, b alerts.Assessment) int { return alerts.CompareBeds(a.Digest.Stay.Bed, b.Digest.Stay.Bed) },
	)
	names := frame.AccountOf(c).May(records.ViewNames)
	row := func(a alerts.Assessment) chooseRow {
		r := chooseRow{
			Bed: a.Digest.Stay.Bed, URL: frame.SetURL(a.Digest.StayID), Recheck: parts.RecheckOf(t, a), Limbs: parts.LimbsOf(a),
			Low: parts.LowBrief(t, a.LowAtRest), Urgent: urgentOf(t, a), Kept: keptBedOf(t, a),
		}
		if names {
			r.Name = a.Digest.Stay.Name
		}
		return r
	}
	owed := func(a alerts.Assessment) bool {
		return a.Recheck.State == alerts.Overdue || a.Recheck.State == alerts.Due
	}
	for _, a := range list {
		if owed(a) {
			v.Due = append(v.Due, row(a))
		}
	}
	for _, a := range byBed {
		if !owed(a) && !a.Died() { // nobody is asked for a set of who died
			v.Others = append(v.Others, row(a))
		}
	}
	return frame.Show(http.StatusOK, "bedsidechoose", v)
}
