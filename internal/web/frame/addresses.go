package frame

import (
	"net/url"
	"strings"
	"time"

	"plumbline/internal/records"
)

// SetURL is where a set of a stay is taken, chooseURL where a patient of a unit is chosen for one.
func SetURL(stay string) string { return StayURL(stay) + "/new-set" }

func ChooseURL(unit string) string { return UnitURL(unit) + "/new-set" }

const QueueURL = "/dose-review"

// LedgerURL is the page of what became of suggestions.
const LedgerURL = "/suggestions"

// LandingURL is where an account lands that has signed in without asking for a page: where its
// role works. Of several roles, the front page.
func LandingURL(a records.Account, units []string, takesSets bool) string {
	if len(a.Roles) != 1 {
		return "/"
	}
	switch {
	case a.May(records.AnswerAsked):
		return AskedURL
	case a.May(records.ReviewDoses):
		return QueueURL
	case a.Roles[0] == records.BedsideNurse && takesSets && len(units) > 0:
		return ChooseURL(units[0])
	}
	return "/"
}

// AskedURL is the page of what waits for a prescriber.
const AskedURL = "/asked"

func ReviewURL(stay string) string { return QueueURL + "/" + Segment(stay) }

// HospitalURL is the page of all units that an account may see.
const HospitalURL = "/hospital"

func EpisodesURL(unit string) string { return UnitURL(unit) + "/episodes" }

// RoundURL is the round of a unit: sets by hour and nurse.
func RoundURL(unit string) string { return UnitURL(unit) + "/round" }

// WallOfURL is the wall of a unit.
func WallOfURL(unit string) string { return UnitURL(unit) + "/wall" }

// NoteURL is where a note for the handover of what an address names is sent.
func NoteURL(of string) string { return of + "/note" }

func FallURL(id string) string { return "/falls/" + Segment(id) }

func FallsURL(unit string) string { return UnitURL(unit) + "/falls" }

func Exactly(at time.Time) string {
	return "?as_of=" + url.QueryEscape(at.UTC().Format(time.RFC3339Nano))
}

func HistoryURL(stay string) string { return StayURL(stay) + "/history" }

func OverTimeURL(unit string) string { return UnitURL(unit) + "/over-time" }

func UnitURL(unit string) string { return "/units/" + Segment(unit) }

func StayURL(stay string) string { return "/stays/" + Segment(stay) }

// Segment writes a text as one part of a path. A plus sign is escaped too: the router
// reads it as a space in a path that is not escaped exactly as net/url would.
func Segment(s string) string { return strings.ReplaceAll(url.PathEscape(s), "+", "%2B") }

// AsOfQuery keeps the moment asked for in a link.
func AsOfQuery(at time.Time) string {
	return "?as_of=" + url.QueryEscape(at.UTC().Format(time.RFC3339))
}
