package clinical

import "testing"

func TestOneNameInSeveralSpellings(t *testing.T) {
	for pair, want := range map[[2]string]bool{
		{"bedside-nurse", "Bedside Nurse"}: true, {"ann", "ANN."}: true, {"山田", "山田 "}: true,
		{"ann", "Dr Ann"}: false, {"ann", "anne"}: false, {"", ""}: false, {"-", " "}: false,
	} {
		if SameName(pair[0], pair[1]) != want || SameName(pair[1], pair[0]) != want {
			t.Errorf("%q: want %v", pair, want)
		}
	}
}

func TestWordsThatFillAFieldNameNobody(t *testing.T) {
	for name, want := range map[string]bool{
		"Dr Chen": true, "Noone, Ann": true, "Nil Yilmaz": true, "night doctor": true, "山田": true, "4711": true,
		"none": false, "None.": false, "N/A": false, "no one": false, "-": false, "": false, " \u200b": false, "not known": false, "X": false,
	} {
		if NamesSomebody(name) != want {
			t.Errorf("%q names somebody: %v, want %v", name, !want, want)
		}
	}
}

func TestARoleNamesNoPerson(t *testing.T) {
	for name, want := range map[string]bool{
		"the provider": false, "Dr.": false, "me": false, "Ward": false, "team": false, "none": false,
		"Dr Me": true, "Wardman": true, "Dr Chen": true,
	} {
		if NamesPerson(name) != want {
			t.Errorf("%q names a person: %v, want %v", name, !want, want)
		}
	}
	if !NamesSomebody("provider") {
		t.Error("who was told may be named by a role")
	}
}
