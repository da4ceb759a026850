package parts

import (
	"context"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/outbox"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// Outbox tells what goes to the hospital's record, and sends again what was refused.
type Outbox interface {
	OutgoingOf(ctx context.Context, stayID string) ([]records.Outgoing, error)
	LateOutgoing(ctx context.Context, unit string, by time.Time) ([]records.Outgoing, error)
	Unsent(ctx context.Context, limit int) ([]records.Outgoing, error)
	RetryOutgoing(ctx context.Context, number int64, at time.Time) (int64, error)
}

// LateAfter is how long the record may take before people are told that something is not in the chart.
const LateAfter = 30 * time.Minute

// Late reports whether a message is to be told of: refused, or not taken for LateAfter.
func Late(o records.Outgoing, now time.Time) bool {
	return o.State == records.SendRefused || o.State == records.SendWaits && now.Sub(o.QueuedAt) >= LateAfter
}

// What names what a message is about, in words.
func What(o records.Outgoing) string {
	switch i, err := outbox.Read(o); {
	case err != nil || len(i.Facts) == 0:
		return o.Thing
	case i.SetID != "":
		return text.Say("torecord.set")
	default:
		return whatOf(i.Facts[0].Kind)
	}
}

func whatOf(kind clinical.Kind) string {
	switch kind {
	case clinical.KindRestriction:
		return text.Say("torecord.restrictions")
	case clinical.KindClearance:
		return text.Say("torecord.clearances")
	case clinical.KindAnswer:
		return text.Say("torecord.answers")
	}
	return text.Say("torecord.vitals")
}

// RecordLine says what became of a set on its way to the record.
type RecordLine struct {
	Says  string
	Alert bool
}

// RecordLineOf is about the messages of one thing; none is that it is kept here only.
func RecordLineOf(t frame.Times, of []records.Outgoing, now time.Time) RecordLine {
	line := RecordLine{Says: text.Say("torecord.taken")}
	for _, o := range of {
		switch {
		case o.State == records.SendRefused:
			return RecordLine{text.Say("torecord.refused"), true}
		case o.State == records.SendWaits && Late(o, now):
			line = RecordLine{text.Say("torecord.late", t.Time(o.QueuedAt)), true}
		case o.State == records.SendWaits && !line.Alert:
			line.Says = text.Say("torecord.on-its-way")
		}
	}
	if len(of) == 0 {
		line.Says = text.Say("torecord.kept-here")
	}
	return line
}

// NotInTheChart are the sentences about what of a stay the record has not taken, and about what of it is
// kept here only.
func NotInTheChart(t frame.Times, all []records.Outgoing, chart clinical.Chart, now time.Time) (out []string) {
	for _, o := range all {
		switch {
		case !Late(o, now):
		case o.State == records.SendRefused:
			out = append(out, text.Say("torecord.stay-refused", What(o), t.Time(o.QueuedAt)))
		default:
			out = append(out, text.Say("torecord.stay-late", What(o), t.Time(o.QueuedAt)))
		}
	}
	var kept []string
	for _, r := range chart.Records {
		if !goesOut[r.Kind] || !r.TakenHere() || ended(r.Body, now) {
			continue
		}
		if what := whatOf(r.Kind); !queued(all, r) && !slices.Contains(kept, what) {
			kept = append(kept, what)
		}
	}
	if len(kept) > 0 {
		out = append(out, text.Say("torecord.stay-kept", text.List(kept)))
	}
	return slices.Compact(out)
}

// goesOut are the kinds of facts that the record is told of.
var goesOut = map[clinical.Kind]bool{
	clinical.KindVitals: true, clinical.KindRestriction: true, clinical.KindClearance: true, clinical.KindAnswer: true,
}

func ended(body clinical.Body, now time.Time) bool {
	r, is := body.(clinical.Restriction)
	return is && r.EndedAt != nil && !r.EndedAt.After(now)
}

// queued reports whether a message about a fact was ever queued.
func queued(all []records.Outgoing, r clinical.Record) bool {
	set := bedside.FormOf(r.SourceID)
	if v, is := r.Body.(clinical.Vitals); is && v.SetID != "" {
		set = v.SetID
	}
	return slices.ContainsFunc(all, func(o records.Outgoing) bool {
		return o.Thing == r.SourceID || r.Kind == clinical.KindVitals && o.Thing == set
	})
}
