package parts

import (
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// MaxNote is how long a note for the handover may be, in characters: a line or two, so that the
// handover of a patient keeps room for what is owed.
const MaxNote = 200

// Note is what somebody said freely for the handover.
type Note struct {
	Number int64
	Text   string
	Says   string // who said it, when, and until when it is shown
}

// Notes are the notes of a patient or of a unit, with the form that adds one.
type Notes struct {
	ID    string // of the place on the page
	URL   string // where the form is sent; "" for who may add none
	Back  string // the page that it leads back to
	What  string // whose they are, for who does not see the place
	Notes []Note
}

// Max is how long a note may be.
func (Notes) Max() int { return MaxNote }

// NotesOf are notes as pages show them.
func NotesOf(t frame.Times, notes []records.HandoverNote) []Note {
	var out []Note
	for _, n := range notes {
		out = append(out, Note{n.Number, n.Text, text.Say("parts.note-by", n.Who, t.Short(n.At), t.Short(n.Until))})
	}
	return out
}

// NoteLines are notes in a line each, for rows and paper, where nothing else says that they are notes.
func NoteLines(t frame.Times, notes []records.HandoverNote) []string {
	said := notesSaid(t, notes)
	for n, s := range said {
		said[n] = text.Say("parts.note-line", s)
	}
	return said
}

// notesSaid are notes with who wrote them and when.
func notesSaid(t frame.Times, notes []records.HandoverNote) []string {
	var out []string
	for _, n := range notes {
		out = append(out, text.Say("parts.note-said", text.Apart(n.Text), text.Apart(n.Who), t.Short(n.At)))
	}
	return out
}
