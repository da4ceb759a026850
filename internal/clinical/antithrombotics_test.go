package clinical

import (
	"slices"
	"testing"
)

// The classes are those of the ATC index (B01AA to B01AX, from memory of it).
func TestAntithromboticsByCodeAndByName(t *testing.T) {
	for _, tc := range []struct {
		drug       Drug
		name, kind string
		known      bool
	}{
		{Drug{Text: "Apixaban 5 MG Oral Tablet", ATC: "B01AF02"}, "apixaban", Anticoagulant, true},
		{Drug{Text: "house blend", ATC: " b01ac04 "}, "clopidogrel", Antiplatelet, true}, // the code tells the name
		{Drug{Text: "house blend", ATC: " b01ac30 "}, "house blend", Antiplatelet, true},
		{Drug{Text: "alteplase", ATC: "B01AD02"}, "alteplase", Thrombolytic, true},
		{Drug{Text: "warfarin 3 mg"}, "warfarin", Anticoagulant, true},
		{Drug{Text: "Heparin/saline flush"}, "heparin", Anticoagulant, true},
		{Drug{Text: "blood thinner", ATC: "B01"}, "blood thinner", Anticoagulant, true},
		{Drug{Text: "aspirin", ATC: "N02BA01"}, "", "", true}, // coded as a painkiller: the code counts
		{Drug{Text: "furosemide"}, "", "", true},
		{Drug{Text: "warfarin", ATC: "not a code"}, "warfarin", Anticoagulant, true},
		{Drug{Text: "study drug 7"}, "", "", false},
	} {
		list, known := tc.drug.Ingredients()
		list = slices.DeleteFunc(list, func(i Ingredient) bool { return Antithrombotic(i.ATC) == "" })
		if known != tc.known || (tc.name == "") != (len(list) == 0) {
			t.Errorf("%+v: %v, known %v", tc.drug, list, known)
			continue
		}
		if tc.name != "" && (len(list) != 1 || list[0].Name != tc.name || Antithrombotic(list[0].ATC) != tc.kind) {
			t.Errorf("%+v: %+v, want %s, %s", tc.drug, list, tc.name, tc.kind)
		}
	}
	if list, _ := (Drug{Text: "aspirin and dipyridamole, aspirin"}).Ingredients(); len(list) != 2 {
		t.Errorf("two names in a text are %d drugs", len(list))
	}
}
