package clinical

import "testing"

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
