package auth

import "plumbline/internal/records"

// Names under which the records are still asked for here. They go with their last use.
type (
	Account    = records.Account
	Identity   = records.Identity
	Session    = records.Session
	APIToken   = records.APIToken
	Role       = records.Role
	Permission = records.Permission
	Scope      = records.Scope
)

// Likewise.
const (
	BedsideNurse    = records.BedsideNurse
	FallsNurse      = records.FallsNurse
	UnitManager     = records.UnitManager
	Pharmacist      = records.Pharmacist
	Administrator   = records.Administrator
	Screen          = records.Screen
	ViewList        = records.ViewList
	ViewNames       = records.ViewNames
	ViewStay        = records.ViewStay
	RecordSet       = records.RecordSet
	ActOnEpisodes   = records.ActOnEpisodes
	CloseEpisodes   = records.CloseEpisodes
	ReviewDoses     = records.ReviewDoses
	ViewUnitFigures = records.ViewUnitFigures
	ViewFeeds       = records.ViewFeeds
	ViewHeldRows    = records.ViewHeldRows
	ManageAccounts  = records.ManageAccounts
	ManageTokens    = records.ManageTokens
	ViewAudit       = records.ViewAudit
	ManagePolicy    = records.ManagePolicy
	ReadList        = records.ReadList
	ReadSets        = records.ReadSets
	ReadMetrics     = records.ReadMetrics
	CommandLine     = records.CommandLine
)

// Likewise.
var (
	Roles  = records.Roles
	Scopes = records.Scopes
)

// Permissions likewise.
func Permissions(r Role) []Permission { return records.Permissions(r) }
