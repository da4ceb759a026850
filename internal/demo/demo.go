// Package demo writes the demo unit: an invented hospital whose patients are
// stories, each made to show one rule of the list.
//
// Generate is pure: the same anchor gives the same bytes. Every time is laid
// relative to the anchor, so another anchor gives the same unit at another
// moment. Birth dates are the exception; they stay as they are.
package demo

import (
	"fmt"
	"slices"
	"time"
)

// The hospital and its units. None of them exists.
const (
	Hospital   = "Kestrelmoor General Hospital"
	MainUnit   = "4W" // Four West, general medicine
	SecondUnit = "7E" // Seven East, short-stay surgery
)

// Anchor is the moment for which the files in seed/feed are laid: mid-morning,
// when the night's sets are charted and the morning doses given.
const Anchor = "2026-11-02T10:00:00Z"

// AnchorTime is Anchor as a time.
func AnchorTime() time.Time {
	t, err := time.Parse(time.RFC3339, Anchor)
	if err != nil {
		panic(err) // a constant of this package is wrong
	}
	return t
}

// File is one CSV file of the feed.
type File struct {
	Name string
	Data []byte
}

// Story is one patient, and what the list must say of that patient at the
// anchor and for at least three hours after it.
type Story struct {
	Name      string // a few words for a table
	Says      string // one sentence for the reader
	StayID    string
	PatientID string
	Patient   string // invented
	Born      string // a date; the only time that never moves
	Sex       string
	Unit      string // where the stay is at the anchor
	Bed       string
	Tier      string // "" for a stay that is no longer on the list
	Rule      string // the deciding rule; "" where no rule holds
	Recheck   string // the state of the recheck and its rule, as "overdue R-FALL"

	tell func(*chart)
}

// Stories returns every story, by stay.
func Stories() []Story {
	all := slices.Concat(storiesNow(), storiesThisShift(), storiesToday(), storiesQuiet(), storiesSecondUnit())
	slices.SortFunc(all, func(a, b Story) int {
		if a.StayID < b.StayID {
			return -1
		}
		return 1
	})
	return all
}

// Verdict is what a list says of one stay.
type Verdict = struct{ Tier, Rule string }

// CheckStories compares the lists of both units, put together by stay, with
// the stories, and names every difference in a sentence. An empty answer means
// that each story ended where it was meant to.
func CheckStories(list map[string]Verdict) []string {
	var wrong []string
	known := map[string]bool{}
	for _, s := range Stories() {
		known[s.StayID] = true
		got, listed := list[s.StayID]
		want := Verdict{Tier: s.Tier, Rule: s.Rule}
		switch {
		case s.Tier == "" && listed:
			wrong = append(wrong, fmt.Sprintf("%s (%s): left the unit, but is listed as %s %s", s.StayID, s.Name, got.Tier, got.Rule))
		case s.Tier != "" && !listed:
			wrong = append(wrong, fmt.Sprintf("%s (%s): is not listed, want %s %s", s.StayID, s.Name, want.Tier, want.Rule))
		case listed && got != want:
			wrong = append(wrong, fmt.Sprintf("%s (%s): %s %s, want %s %s", s.StayID, s.Name, got.Tier, got.Rule, want.Tier, want.Rule))
		}
	}
	for stay, got := range list {
		if !known[stay] {
			wrong = append(wrong, fmt.Sprintf("%s: is listed as %s %s, but no story tells of it", stay, got.Tier, got.Rule))
		}
	}
	slices.Sort(wrong)
	return wrong
}

// Generate writes the whole feed for an anchor.
func Generate(anchor time.Time) []File {
	var rows feed
	for _, s := range Stories() {
		c := newChart(s, anchor)
		s.tell(c)
		c.close()
		rows.add(c.rows)
	}
	loose := newChart(Story{StayID: "S999"}, anchor)
	looseRows(loose)
	rows.add(loose.rows)
	return rows.files(loose.at(0, "00:00"))
}
