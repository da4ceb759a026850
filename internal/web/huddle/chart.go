package huddle

import (
	"context"
	"crypto/sha256"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// Facts charts what somebody says on a page, as facts of this program's own feed.
type Facts interface {
	Chart(ctx context.Context, unit string, c bedside.Charting) error
}

// formID is the number of a form, made of all that it says and rests on: sent twice it is
// stored once, and a page that many see needs no number of its own for each.
func formID(words ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(words, "\x00")))
	return fmt.Sprintf("%x-%x-%x-%x-%x", sum[0:4], sum[4:6], sum[6:8], sum[8:10], sum[10:16])
}

// answerEpisode charts why a set is not taken now (R-ANSWER), and says on the thing who did.
// What the answer moves, and for how long, is the chart's to say.
func (s *service) answerEpisode(
	c *frame.Request, form url.Values, a episodes.Action, now time.Time,
) (records.Episode, error) {
	ctx, e := c.Request.Context(), frame.EpisodeOf(c).Episode
	thing, err := s.thingOf(c, e)
	if err != nil {
		return e, err
	}
	if !a.SawAll(thing.Members) || !thing.Active() {
		return e, episodes.Changed()
	}
	if _, err := episodes.ActOn(thing.Members, a, now); err != nil {
		return e, err
	}
	err = s.Facts.Chart(ctx, e.Unit, bedside.Charting{
		ID: formID("answer", form.Get("seen"), a.Who, a.Reason, a.Note), StayID: e.StayID, Who: a.Who, At: now,
		Entries: []bedside.Entry{{Kind: clinical.KindAnswer, Cells: map[string]string{
			"answer": episodes.AnswerOf(e.Kind, a.Reason), "reason": a.Note}}},
	})
	if err != nil {
		return e, err
	}
	a.Saw = nil // the chart has moved on by this answer
	done, err := s.Episodes.Act(ctx, e.ID, a, now)
	if clinical.CodeOf(err) == clinical.Conflict { // it has ended: nothing is owed any more
		return e, nil
	}
	return done, err
}

// clearEpisode charts that a provider has cleared the patient to stand, who and when.
func (s *service) clearEpisode(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	e, now, who := frame.EpisodeOf(c).Episode, s.Clock(), frame.AccountOf(c).Name
	by := strings.Join(strings.Fields(form.Get("by")), " ")
	at := s.clockOf(form, now)
	action := episodes.Action{Saw: parts.ReadSeen(form.Get("seen")), Who: who, Name: by}
	switch {
	case !e.Active() && s.clearedBy(c, e.StayID, by, at): // the button was pressed twice
		return frame.SeeOther(backURL(e, form.Get("back")))
	case s.Facts == nil || e.Kind != episodes.ClearanceOwed || !e.Active() || !action.SawAll([]records.Episode{e}):
		return s.notDone(c, http.StatusConflict, form, action, episodes.Changed())
	case clinical.SameName(by, frame.ClearsNobody(frame.AccountOf(c))):
		why := clinical.Errorf(clinical.Invalid, "%s", text.Say("episodes.cleared-own"))
		return s.notDone(c, http.StatusUnprocessableEntity, form, action, why)
	case !clinical.NamesPerson(by) || at.IsZero() || at.After(now):
		why := clinical.Errorf(clinical.Invalid, "say which provider cleared the patient to stand, and when: a time of the last 24 h")
		return s.notDone(c, http.StatusUnprocessableEntity, form, action, why)
	}
	if from, err := s.injuredSince(c, e.StayID); err != nil {
		return nil, err
	} else if at.Before(from) {
		why := clinical.Errorf(clinical.Invalid, "%s", text.Say("episodes.cleared-before", s.Catalogue(now).Time(from)))
		return s.notDone(c, http.StatusUnprocessableEntity, form, action, why)
	}
	err = s.Facts.Chart(c.Request.Context(), e.Unit, bedside.Charting{
		ID: formID("clearance", e.ID, form.Get("seen"), who, by, form.Get("at")), StayID: e.StayID, Who: who, At: now,
		Entries: []bedside.Entry{{Kind: clinical.KindClearance, Cells: map[string]string{
			"by": by, "cleared_at": at.UTC().Format(time.RFC3339)}}},
	})
	return s.charted(err, backURL(e, form.Get("back")))
}

// injuredSince is since when injuries block standing: a clearance before that ends nothing.
func (s *service) injuredSince(c *frame.Request, stayID string) (since time.Time, err error) {
	view, err := s.Patients.Stay(c.Request.Context(), stayID, s.Clock())
	for _, f := range view.Assessment.Digest.Falls {
		if from, blocks := f.BlocksFrom(); blocks && from.After(since) {
			since = from
		}
	}
	return since, err
}

// pressedTwice is how far apart one button pressed twice arrives: a clearance at the moment of
// the form is the same one until then.
const pressedTwice = time.Minute

// clearedBy reports whether the chart of a stay has this clearance.
func (s *service) clearedBy(c *frame.Request, stayID, by string, at time.Time) bool {
	view, err := s.Patients.Stay(c.Request.Context(), stayID, s.Clock())
	return err == nil && slices.ContainsFunc(view.Chart.Records, func(r clinical.Record) bool {
		b, is := r.Body.(clinical.Clearance)
		return is && b.By == by && b.ClearedAt.Sub(at).Abs() < pressedTwice
	})
}

// charted leads back after charting, or says what cannot be used.
func (s *service) charted(err error, back string) (frame.Page, error) {
	switch clinical.CodeOf(err) {
	case "":
		return frame.SeeOther(back)
	case clinical.Invalid:
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("episodes.not-done"), frame.Sentence(err))
	case clinical.Conflict:
		return frame.Tell(http.StatusConflict, text.Say("episodes.not-done"), frame.Sentence(err))
	}
	return nil, err
}

// precautions charts precautions of a stay: what is in place now, and what is not any more.
func (s *service) precautions(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	seen, who, now := frame.StayOf(c), frame.AccountOf(c).Name, s.Clock()
	if s.Facts == nil || !seen.When.Live {
		return frame.NotFound()
	}
	for _, word := range form["place"] {
		if !slices.Contains(clinical.Precautions, word) {
			return s.charted(clinical.Errorf(clinical.Invalid,
				"%q is no precaution that is charted here, and nothing was stored; choose from the list on the patient's page", word), "")
		}
	}
	stay := seen.View.Assessment.Digest
	entries := placed(seen.View.Assessment.Precautions.InPlace, form["place"])
	for _, id := range form["end"] {
		for _, f := range stay.Precautions {
			if f.SourceID == id && f.Here && f.InPlace(now) {
				entries = append(entries, bedside.Entry{Kind: clinical.KindPrecaution, SourceID: id, Cells: map[string]string{
					"precaution": f.What, "started_at": f.From.UTC().Format(time.RFC3339Nano), "ended_at": now.UTC().Format(time.RFC3339Nano)}})
			}
		}
	}
	back := frame.StayURL(stay.StayID) + "?charted=now#h-prec"
	if from := form.Get("back"); from != "" && from != parts.BackToStay {
		id := episodes.IDOf(episodes.PrecautionsMissing, stay.StayID, episodes.WholeStay)
		back = backURL(records.Episode{ID: id, Kind: episodes.PrecautionsMissing, StayID: stay.StayID, Unit: stay.Stay.Unit}, from)
	}
	if len(entries) == 0 {
		return frame.SeeOther(back) // all of it is so already: the button was pressed twice
	}
	words := []string{"precautions", stay.StayID, who, strings.Join(seen.View.Assessment.Precautions.InPlace, ";"), form.Get("seen")}
	err = s.Facts.Chart(c.Request.Context(), stay.Stay.Unit, bedside.Charting{
		ID: formID(append(words, form.Encode())...), StayID: stay.StayID, Who: who, At: now, Entries: entries,
	})
	return s.charted(err, back)
}

// placed are the facts of precautions that are in place now and were not before.
func placed(before, now []string) []bedside.Entry {
	var out []bedside.Entry
	for _, word := range clinical.Precautions {
		if slices.Contains(now, word) && !slices.Contains(before, word) {
			out = append(out, bedside.Entry{Kind: clinical.KindPrecaution, Cells: map[string]string{"precaution": word}})
		}
	}
	return out
}
