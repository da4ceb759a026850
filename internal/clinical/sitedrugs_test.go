package clinical

import (
	"slices"
	"strings"
	"testing"
)

// A site says what its own texts mean. What a code or a name tells is not taken away, and
// an antithrombotic drug that is known by name is never without one.
func TestASiteNamesItsDrugs(t *testing.T) {
	table := NewSiteDrugs([]SiteDrug{
		{"House Pill", "C03CA01"}, {"house  PILL", "C07AB02"}, {"Furosemide 40 mg", "N02BE01"}, {"Barrier cream", ""},
	})
	chart := Chart{Records: []Record{
		{Version: Version{Kind: KindOrder, Body: Order{Drug: Drug{Text: "HOUSE pill"}}}, History: []Version{
			{Kind: KindOrder, Body: Order{Drug: Drug{Text: "house pill"}}},
		}},
		{Version: Version{Kind: KindDose, Body: Dose{Drug: Drug{Text: "Furosemide 40 mg"}}}},
		{Version: Version{Kind: KindDose, Body: Dose{Drug: Drug{Text: "something else"}}}},
		{Version: Version{Kind: KindCondition, Body: Condition{ICD10: "I10", Text: "House Pill"}}},
	}}
	if same := (SiteDrugs{}).In(chart); same.Records[0].Body.(Order).ATC != "" {
		t.Error("a table that says nothing names a drug")
	}
	got := table.In(chart)
	if atc := got.Records[0].Body.(Order).ATC; atc != "C07AB02" {
		t.Errorf("the order is %q, want what was said last", atc)
	}
	if atc := got.Records[0].History[0].Body.(Order).ATC; atc != "C07AB02" {
		t.Errorf("its earlier version is %q", atc)
	}
	if is := got.Records[3].Body; is != chart.Records[3].Body {
		t.Errorf("what is no drug is changed: %+v", is)
	}
	for n := 1; n < 3; n++ {
		if atc := got.Records[n].Body.(Dose).ATC; atc != "" {
			t.Errorf("dose %d is %q", n, atc)
		}
	}
	if chart.Records[0].Body.(Order).ATC != "" || chart.Records[0].History[0].Body.(Order).ATC != "" {
		t.Error("the chart that was given has changed")
	}
	p := table.Of(DefaultPolicy())
	if !slices.Equal(p.Drugs.OfNoConcern, []string{"Barrier cream"}) || len(DefaultPolicy().Drugs.OfNoConcern) > 0 {
		t.Errorf("of no concern: %q", p.Drugs.OfNoConcern)
	}
	var none SiteDrugs
	other := NewSiteDrugs([]SiteDrug{{"a", ""}})
	if none.Hash() != "" || NewSiteDrugs(nil).Hash() != "" || table.Hash() == "" || table.Hash() == other.Hash() {
		t.Error("the name of a table does not tell what it says")
	}
	for code, want := range map[string]string{" c03ca01 ": "C03CA01", "C03C": "C03C", "B01": "B01", "water": "", "": "", "C": ""} {
		if got, ok := ValidATC(code); ok != (want != "") || ok && got != want {
			t.Errorf("%q is %q, %v", code, got, ok)
		}
	}
	for name, trade := range tradeNamesForTest() {
		list, known := Drug{Text: trade}.Ingredients()
		if !known || !slices.ContainsFunc(list, func(i Ingredient) bool { return strings.HasPrefix(i.ATC, "B01A") }) {
			t.Errorf("%s (%s) is not recognised", trade, name)
		}
	}
}

// The antithrombotic drugs by the names of the trade (from memory).
func tradeNamesForTest() map[string]string {
	return map[string]string{
		"apixaban": "Eliquis", "rivaroxaban": "Xarelto", "dabigatran": "Pradaxa", "warfarin": "Coumadin", "enoxaparin": "Lovenox",
		"enoxaparin 2": "Clexane 40 mg", "clopidogrel": "Plavix", "acetylsalicylic acid": "aspirin", "heparin": "heparin",
		"dalteparin": "dalteparin", "ticagrelor": "ticagrelor", "prasugrel": "prasugrel", "edoxaban": "edoxaban",
		"fondaparinux": "fondaparinux", "alteplase": "alteplase", "argatroban": "argatroban", "tinzaparin": "tinzaparin",
		"phenprocoumon": "phenprocoumon", "acenocoumarol": "acenocoumarol", "cilostazol": "cilostazol", "danaparoid": "danaparoid",
	}
}
