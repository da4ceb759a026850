package frame

import (
	"testing"

	"plumbline/internal/records"
)

// Clearance to stand is owed by the provider: a nurse's own name is nobody's who could give it, unless she
// prescribes too.
func TestWhoClearsNobody(t *testing.T) {
	for _, c := range []struct {
		roles []records.Role
		want  string
	}{
		{[]records.Role{records.BedsideNurse}, "ann"}, {[]records.Role{records.FallsNurse, records.Pharmacist}, "ann"},
		{[]records.Role{records.BedsideNurse, records.Prescriber}, ""}, {[]records.Role{records.Prescriber}, ""},
	} {
		if got := ClearsNobody(records.Account{Name: "ann", Roles: c.roles}); got != c.want {
			t.Errorf("%v: %q, want %q", c.roles, got, c.want)
		}
	}
}
