package records

import "slices"

// Role is what a person, or a screen on a wall, does on the unit.
type Role string

// The roles.
const (
	BedsideNurse  Role = "bedside-nurse"
	FallsNurse    Role = "falls-nurse"
	UnitManager   Role = "unit-manager"
	Pharmacist    Role = "pharmacist"
	Prescriber    Role = "prescriber" // who is asked: to clear to stand, of suggestions, of what to tell
	Administrator Role = "administrator"
	Screen        Role = "screen" // a display that nobody sits at: beds, no names
)

// Roles lists the roles in the order in which people are shown them.
var Roles = []Role{BedsideNurse, FallsNurse, UnitManager, Pharmacist, Prescriber, Administrator, Screen}

// KnownRoles is the roles among some, in the order of Roles, each once. A role of
// another version of the program is not known here and left out.
func KnownRoles(some []Role) []Role { return known(Roles, some) }

// known is what of all is among some.
func known[T comparable](all, some []T) (out []T) {
	for _, one := range all {
		if slices.Contains(some, one) {
			out = append(out, one)
		}
	}
	return out
}

// Permission is one thing that an account may do.
type Permission string

// The permissions. Those on patient data hold for the units of the account alone.
const (
	ViewList        Permission = "view the ranked list"
	ViewNames       Permission = "view names and patient numbers"
	ViewStay        Permission = "view a patient's page"
	RecordSet       Permission = "record a bedside set"
	ActOnEpisodes   Permission = "take and defer episodes"
	CloseEpisodes   Permission = "close episodes with a reason"
	ReviewDoses     Permission = "review doses"
	AnswerAsked     Permission = "answer what a prescriber is asked"
	ViewUnitFigures Permission = "view the unit over time"
	ViewFeeds       Permission = "view the health of the feeds"
	ViewHeldRows    Permission = "view rows held back"
	CheckUnits      Permission = "say that the feeds of a unit were checked"
	ManageAccounts  Permission = "manage accounts"
	ManageTokens    Permission = "manage API tokens"
	ViewAudit       Permission = "view the audit"
	ManagePolicy    Permission = "manage the policy"
)

// permits says what each role permits. An administrator sees no patients: who does
// both is given both roles.
var permits = map[Role][]Permission{
	BedsideNurse:  {ViewList, ViewNames, ViewStay, ViewFeeds, RecordSet, ActOnEpisodes, CloseEpisodes},
	FallsNurse:    {ViewList, ViewNames, ViewStay, ViewFeeds, RecordSet, ActOnEpisodes, CloseEpisodes, ViewUnitFigures},
	UnitManager:   {ViewList, ViewNames, ViewStay, ViewFeeds, ActOnEpisodes, CloseEpisodes, ViewUnitFigures},
	Pharmacist:    {ViewList, ViewNames, ViewStay, ViewFeeds, ReviewDoses},
	Prescriber:    {ViewList, ViewNames, ViewStay, ViewFeeds, AnswerAsked},
	Administrator: {ViewFeeds, ViewHeldRows, CheckUnits, ManageAccounts, ManageTokens, ViewAudit, ManagePolicy},
	Screen:        {ViewList},
}

// Permissions lists what a role permits.
func Permissions(r Role) []Permission { return slices.Clone(permits[r]) }
