package parts

import (
	"slices"
	"strings"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// MaxHandover is how many characters the handover of one patient takes at most.
const MaxHandover = 600

// maxWho keeps a name of any length from taking the room of what is owed.
const maxWho = 60

// leastNote is how much of a note is told at least, in characters.
const leastNote = 60

// HandoverOf is the state of a patient as plain text, to be pasted elsewhere: who it is, why
// the patient stands where the list has the patient, what the latest set found, what is owed,
// by whom and until when, what to mind, and what was noted. Where it would be longer than MaxHandover, it
// says of how much it does not tell.
func HandoverOf(
	t frame.Times, a alerts.Assessment, things []episodes.Thing, notes []records.HandoverNote,
) string {
	said := notesSaid(t, notes)
	slices.Reverse(said) // the latest first: the last is left out first
	var owed, told, mind []string
	setOwed := false
	for _, thing := range things {
		if thing.Active() {
			owed = append(owed, handedOver(t, a, thing))
			setOwed = setOwed || thing.Due != nil && thing.Due.At != nil
		} else if thing.ToldWhom != "" {
			told = append(told, ToldOf(t, thing))
		}
	}
	if !setOwed { // else they stand with the set
		mind = SetNotes(t, a)
	}
	mind = slices.Concat(told, mind, text.Missing(a.Recheck.Missing), LimbsOf(a))
	mind = append(urgent(t, a), mind...)
	var why []string
	latest := a.Digest.LatestSet()
	for n, r := range fallSecond(a.Reasons) {
		shown := r.Rule != alerts.TPositive || latest != nil && latest.Finding == trends.Positive
		switch {
		case n == 0:
			why = append(why, t.LeadBriefOf(a.Digest, r))
		case !shown || !ToldElsewhere(a, r.Rule, things):
			why = append(why, t.BriefOf(a.Digest, r))
		}
	}
	why = trends.Distinct(why)
	all := len(why) + len(owed) + len(mind) + len(said)
	for {
		out := handoverText(t, a, why, owed, mind, said, all-len(why)-len(owed)-len(mind)-len(said))
		over := utf8.RuneCountInString(out) - MaxHandover
		switch {
		case over <= 0:
			return out
		case len(said) > 1:
			said = said[:len(said)-1]
		case len(why) > 1:
			why = why[:len(why)-1]
		case len(owed) > 1:
			owed = owed[:len(owed)-1]
		case len(mind) > 1:
			mind = mind[:len(mind)-1]
		case len(said) > 0 && utf8.RuneCountInString(said[0]) > leastNote:
			said[0] = text.Clip(said[0], max(leastNote, utf8.RuneCountInString(said[0])-over))
		default: // texts of feeds of any length
			return text.Clip(out, MaxHandover)
		}
	}
}

// ToldByLead reports whether the first reason of a patient tells by what the latest set is positive.
func ToldByLead(a alerts.Assessment) bool {
	latest, read := a.Digest.LatestSet(), a.Digest.LatestInterpretable()
	by := a.DecidedBy()
	return (by == alerts.TPositive || by == alerts.TGap) && latest != nil && read != nil && latest.StartedAt.Equal(read.StartedAt)
}

// ToldOf says of a thing that is done whom was told of it, and when.
func ToldOf(t frame.Times, thing episodes.Thing) string {
	return text.Say("parts.hand-told", text.EpisodeKinds[thing.Kind], t.ThingBrief(thing, true))
}

// ToldElsewhere reports whether a row or a handover says already what a further reason would add: its
// figures show a positive set, its list of what is owed shows the rest.
func ToldElsewhere(a alerts.Assessment, rule string, owed []episodes.Thing) bool {
	if a.Died() {
		return true // nothing that a further rule asks for is owed any more
	}
	var told []records.EpisodeKind
	switch rule {
	case alerts.TPositive:
		return true
	case alerts.TFell:
		return a.DecidedByFall()
	case alerts.TOverdue, alerts.TDue, alerts.TRoutine, alerts.TSoon:
		told = []records.EpisodeKind{episodes.FallWithoutSet, episodes.RecheckOverdue}
	case alerts.TGap, alerts.TPrecaution:
		told = []records.EpisodeKind{episodes.PrecautionsMissing}
	case alerts.TClearance:
		told = []records.EpisodeKind{episodes.ClearanceOwed}
	case alerts.TReview:
		told = []records.EpisodeKind{episodes.DoseReview}
	}
	return slices.ContainsFunc(owed, func(t episodes.Thing) bool { return t.Due != nil && slices.Contains(told, t.Kind) })
}

// fallSecond are reasons with a recent fall right after the deciding one: the last are those
// that are left out first.
func fallSecond(reasons []alerts.Reason) []alerts.Reason {
	n := slices.IndexFunc(reasons, func(r alerts.Reason) bool { return r.Rule == alerts.TFell })
	if n < 2 {
		return reasons
	}
	out := slices.Delete(slices.Clone(reasons), n, n+1)
	return slices.Insert(out, 1, reasons[n])
}

func handoverText(t frame.Times, a alerts.Assessment, why, owed, mind, said []string, left int) string {
	d := a.Digest
	bed, name := d.Stay.Bed, d.Stay.Name
	if bed == "" {
		bed = text.Say("parts.no-bed")
	}
	if name == "" {
		name = d.Stay.PatientID
	}
	tier := text.TierNames[a.Tier]
	if a.Tier == alerts.None { // whose name, "nothing owed", says too much where standing is blocked
		tier = text.Say("parts.hand-no-tier")
	}
	charted := func(s string) string { return text.Apart(text.Clip(s, maxWho)) }
	who := text.Say("parts.hand-who", text.Apart(d.Stay.Unit), charted(bed), charted(name), tier)
	var lines []string
	if len(why) > 0 {
		lines = append(lines, text.Say("parts.hand-why", strings.Join(why, "; ")))
	}
	found := text.Say("parts.hand-no-set")
	if set := d.LatestSet(); set != nil {
		found = t.SetBrief(d, *set, ToldByLead(a))
	}
	lines = append(lines, text.Say("parts.hand-found", found))
	if len(owed) == 0 {
		owed = []string{text.Say("parts.hand-nothing")}
	}
	lines = append(lines, text.Say("parts.hand-owed", strings.Join(owed, "; ")))
	if len(mind) > 0 {
		lines = append(lines, text.Say("parts.hand-mind", strings.Join(mind, "; ")))
	}
	if len(said) > 0 {
		lines = append(lines, text.Say("parts.hand-note", strings.Join(said, "; ")))
	}
	if left > 0 {
		lines = append(lines, text.Say("parts.hand-more", left))
	}
	lines = append(lines, text.Say("parts.hand-known", t.Time(t.At)))
	return who + "\n" + text.Plain(strings.Join(lines, "\n"))
}

// handedOver is one thing that is owed, with whose it is and until when; a set with what the
// list says of it too.
func handedOver(t frame.Times, a alerts.Assessment, thing episodes.Thing) string {
	what := text.EpisodeKinds[thing.Kind]
	var notes []string
	if d := thing.Due; d != nil {
		if what = t.OwedBrief(*d); d.At != nil {
			at, state := SetDue(t, a, *d)
			due := text.Say("parts.hand-by", t.Short(at))
			if state == alerts.Overdue {
				due = text.Say("parts.hand-late", t.Short(at))
			}
			what += due
			if before := AskedBefore(t, a, *d); before != "" {
				notes = append(notes, before)
			}
			notes = append(notes, SetNotes(t, a)...)
		}
	}
	if thing.Kind == episodes.PrecautionsMissing && thing.Due != nil {
		what = text.Say("parts.hand-missing", what) // its own words name the precautions alone
	}
	whose := t.ThingBrief(thing, true)
	switch {
	case thing.State == episodes.Assigned || thing.State == episodes.Taken:
		whose = thing.Owner()
	case whose == "":
		whose = text.Say("parts.hand-nobody")
	}
	return strings.Join(append([]string{what + text.Say("parts.hand-whose", whose)}, notes...), ", ")
}
