package patient

import (
	"slices"

	"plumbline/internal/alerts"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// stayEpisodes lists what is owed of the stay and every episode that is done, with their
// histories: as it stands, with what the account may do, or as it stood at another moment.
// handover is the state of the patient as plain text, with the notes.
func (s *service) stayEpisodes(
	c *frame.Request, when frame.Asked, a alerts.Assessment, notes []records.HandoverNote,
) (out []parts.Episode, handover string, err error) {
	var histories []care.History
	if s.Episodes != nil {
		if histories, err = s.Episodes.Stay(c.Request.Context(), a.Digest.StayID); err != nil {
			return nil, "", err
		}
	}
	at := when.At
	if when.Live {
		at = s.Clock() // not cut to the minute: what was just done is shown
	} else {
		histories = care.AsOf(histories, at)
	}
	t := s.Times(at, when.Live)
	things := episodes.Things(care.Now(histories), s.duesOf(c, a))
	for _, thing := range things {
		if !thing.Active() || len(thing.Members) == 0 {
			continue
		}
		v := parts.ThingOf(t, thing)
		v.Events = eventsOf(t, histories, thing)
		if when.Live {
			v.Offer(t, thing, frame.AccountOf(c), parts.BackToStay)
		}
		out = append(out, v)
	}
	for _, h := range histories {
		if !h.Episode.Active() {
			v := parts.EpisodeOf(t, h.Episode)
			v.Events = parts.EventsOf(t, h.Events)
			out = append(out, v)
		}
	}
	return out, parts.HandoverOf(t, a, things, notes), nil
}

// notesOf are the notes for the handover, with a form for who may add one.
func (s *service) notesOf(
	c *frame.Request, when frame.Asked, a alerts.Assessment,
) (v *parts.Notes, notes []records.HandoverNote, err error) {
	if s.Shift == nil {
		return nil, nil, nil
	}
	id := a.Digest.StayID
	if notes, err = s.Shift.HandoverNotes(c.Request.Context(), "", []string{id}, s.RecordedBy(when)); err != nil {
		return nil, nil, err
	}
	v = &parts.Notes{ID: "notes-" + id, Notes: parts.NotesOf(s.Times(s.RecordedBy(when), when.Live), notes)}
	if when.Live && frame.AccountOf(c).May(records.ViewStay, records.ActOnEpisodes) {
		v.URL, v.Back = frame.NoteURL(frame.StayURL(id)), parts.BackToStay
	}
	return v, notes, nil
}

// duesOf is what the chart says is owed of the stay before the next shift.
func (s *service) duesOf(c *frame.Request, a alerts.Assessment) []episodes.Due {
	p := s.PolicyFor(c.Request.Context()).Policy
	return episodes.Owed(a, p, alerts.NextShift(p.Unit, s.Zone, a.At))
}

// eventsOf is the history of a thing: that of its episodes in the order of time, what one
// action did to several of them once.
func eventsOf(t frame.Times, histories []care.History, thing episodes.Thing) []parts.EventView {
	var all []records.EpisodeEvent
	for _, h := range histories {
		if thing.Is(h.Episode.ID) {
			all = append(all, h.Events...)
		}
	}
	slices.SortStableFunc(all, func(a, b records.EpisodeEvent) int { return a.At.Compare(b.At) })
	var out []parts.EventView
	for _, v := range parts.EventsOf(t, all) {
		if !slices.ContainsFunc(out, func(o parts.EventView) bool { return o.Says == v.Says && *o.At == *v.At }) {
			out = append(out, v)
		}
	}
	return out
}

// precautionForm charts precautions of the stay: what is missing, or where the feeds bring
// none the whole bundle, and what was charted here and is over.
type precautionForm struct {
	URL     string
	Missing []string
	Others  []string // of the list, neither in place nor asked for
	Ends    []parts.OptionView
}

// precautionFormOf offers it to whoever may act; nil for another moment and other accounts.
func (s *service) precautionFormOf(c *frame.Request, when frame.Asked, a alerts.Assessment) *precautionForm {
	if !when.Live || s.Charted == nil || a.Died() || !frame.AccountOf(c).May(records.ViewStay, records.ActOnEpisodes) {
		return nil
	}
	f := &precautionForm{URL: frame.StayURL(a.Digest.StayID) + "/precautions", Missing: a.Precautions.Missing}
	if a.Precautions.InPlace == nil && a.Precautions.Needed {
		f.Missing = alerts.Bundle(a.Digest, s.PolicyFor(c.Request.Context()).Policy)
	}
	for _, word := range clinical.Precautions {
		if !slices.Contains(f.Missing, word) && !slices.Contains(a.Precautions.InPlace, word) {
			f.Others = append(f.Others, word)
		}
	}
	for _, p := range a.Digest.Precautions {
		if p.Here && p.InPlace(a.At) {
			f.Ends = append(f.Ends, parts.OptionView{ID: p.What, Value: p.SourceID})
		}
	}
	return f
}
