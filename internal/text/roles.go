package text

// RoleNames are the roles of accounts as people call them, by their words.
var RoleNames = map[string]string{
	"bedside-nurse": "bedside nurse", "falls-nurse": "falls nurse", "unit-manager": "unit manager",
	"pharmacist": "pharmacist", "administrator": "administrator", "screen": "screen",
}

// RoleSays is what a role is for.
var RoleSays = map[string]string{
	"bedside-nurse": "sees the patients of its units, records sets, takes and closes what is owed",
	"falls-nurse":   "the same, and the unit over time",
	"unit-manager":  "sees the patients of its units and the unit over time, takes and closes what is owed",
	"pharmacist":    "sees the patients of its units, reviews doses, takes and closes the dose reviews that are owed",
	"administrator": "accounts, policy, audit, feeds with what is owed of them, and rows held back; no patients",
	"screen":        "the list of its units in beds, without names, for a display",
}

// ScopeSays is what the scope of a machine's token is for.
var ScopeSays = map[string]string{
	"list:read":    "the ranked lists of its units, with names",
	"sets:read":    "the sets of the stays on its units",
	"metrics:read": "the figures for those who run the program; no patients, no units",
}
