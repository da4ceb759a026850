package clinical

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// named writes what a drug is as "name, name"; "?" where nobody knows it.
func named(d Drug) string {
	list, known := d.Ingredients()
	if !known {
		return "?"
	}
	out := make([]string, len(list))
	for n, i := range list {
		out[n] = i.Name
	}
	return strings.Join(out, ", ")
}

func TestADrugIsKnownByItsNameInAText(t *testing.T) {
	for text, want := range map[string]string{
		"furosemide":                                 "furosemide",
		"Furosemide 40 MG Oral Tablet":               "furosemide",
		"FUROSEMIDE":                                 "furosemide",
		"metoprolol succinate":                       "metoprolol",
		"24 HR metoprolol tartrate 50 MG":            "metoprolol",
		"hydralazine hydrochloride 25 MG":            "hydralazine",
		"Hydrochlorothiazide 25 MG":                  "hydrochlorothiazide", // and no chlorothiazide
		"chlorothiazide 500 MG":                      "chlorothiazide",
		"bendroflumethiazide":                        "bendroflumethiazide",
		"isosorbide mononitrate 30 MG":               "isosorbide mononitrate",
		"Isosorbide Dinitrate 20 MG":                 "isosorbide dinitrate",
		"isosorbide":                                 "?", // which of the two is not said
		"torsemide 20 MG":                            "torasemide",
		"chlorthalidone":                             "chlortalidone",
		"ethacrynic acid":                            "etacrynic acid",
		"glyceryl trinitrate":                        "nitroglycerin",
		"carbidopa / levodopa":                       "levodopa",
		"Carbidopa 25 MG / Levodopa 100 MG":          "levodopa",
		"levodopa-benserazide":                       "levodopa",
		"sacubitril / valsartan":                     "sacubitril/valsartan",
		"valsartan-sacubitril":                       "sacubitril/valsartan",
		"sacubitril":                                 "sacubitril/valsartan",
		"valsartan 80 MG":                            "valsartan",
		"lisinopril / hydrochlorothiazide":           "lisinopril, hydrochlorothiazide",
		"lisinopril-hydrochlorothiazide":             "lisinopril, hydrochlorothiazide",
		"amlodipine, valsartan, hydrochlorothiazide": "amlodipine, valsartan, hydrochlorothiazide",
		"escitalopram":                               "escitalopram", // and no citalopram
		"doxepin":                                    "doxepin",
		"lisinopril and lisinopril":                  "lisinopril",
		"Lasix":                                      "furosemide", // check values, E-4
		"furosemidex":                                "?",
		"":                                           "?",
	} {
		if got := named(Drug{Text: text}); got != want {
			t.Errorf("%q is %s, want %s", text, got, want)
		}
	}
}

// RxNorm codes: CPIC tables (4603, 6918, 20352, 5487, 6058).
func TestACodeComesBeforeTheText(t *testing.T) {
	cases := []struct {
		drug Drug
		want string
	}{
		{Drug{Text: "Lasix", ATC: "C03CA01"}, "furosemide"},
		{Drug{Text: "Lasix", ATC: " c03ca01 "}, "furosemide"},
		{Drug{Text: "lisinopril", ATC: "C03CA01"}, "furosemide"},
		{Drug{Text: "Lasix", RxNorm: "4603"}, "furosemide"},
		{Drug{Text: "Toprol", RxNorm: " 6918 "}, "metoprolol"},
		{Drug{Text: "Coreg", RxNorm: "20352"}, "carvedilol"},
		{Drug{Text: "HCTZ", RxNorm: "5487"}, "hydrochlorothiazide"},
		{Drug{Text: "Isordil", RxNorm: "6058"}, "isosorbide dinitrate"},
		{Drug{Text: "x", ATC: "C07AB02", RxNorm: "4603"}, "metoprolol"},
		{Drug{Text: "furosemide", RxNorm: "999999999"}, "furosemide"}, // an unknown code passes to the text
		{Drug{Text: "house blend", RxNorm: "999999999"}, "?"},
		{Drug{Text: "furosemide", ATC: "not a code"}, "furosemide"},
		{Drug{Text: "house blend", ATC: "C03CA1"}, "?"},
		{Drug{Text: " Lercanidipine 10 MG ", ATC: "C08CA13"}, "lercanidipine"},           // in the table since it has E-4
		{Drug{Text: " Barnidipine 10 MG ", ATC: "C08CA12"}, "Barnidipine 10 MG"},         // a class by its code
		{Drug{Text: "amlodipine / valsartan", ATC: "C08CA12"}, "amlodipine / valsartan"}, // whatever the text names
		{Drug{Text: "house blend", ATC: "C09BA03"}, "house blend"},                       // a combination of unnamed parts
		{Drug{Text: "Zestoretic", ATC: "C09BA03"}, "lisinopril, hydrochlorothiazide"},
		{Drug{Text: "lisinopril/hydrochlorothiazide", ATC: "C09BA03"}, "lisinopril, hydrochlorothiazide"},
		{Drug{Text: "lisinopril and diuretics", ATC: "C09BA03"}, "lisinopril"},
		{Drug{Text: "Entresto", ATC: "C09DX04"}, "sacubitril/valsartan"},
		{Drug{Text: "Sinemet", ATC: "N04BA02"}, "levodopa"},
	}
	for _, c := range cases {
		if got := named(c.drug); got != c.want {
			t.Errorf("%+v is %q, want %q", c.drug, got, c.want)
		}
	}
	list, _ := Drug{Text: "house blend", ATC: "C09BA03"}.Ingredients()
	if _, ok := list[0].DDD(Oral); ok || list[0].Group() != ACEInhibitor || !list[0].OfCombination {
		t.Errorf("a combination known by its class: %+v", list[0])
	}
	list, _ = Drug{Text: "lisinopril 20 MG and diuretic", ATC: "C09BA03"}.Ingredients()
	if !list[0].OfCombination {
		t.Error("one named part of a combination counts as the whole")
	}
	list, _ = Drug{Text: "rosuvastatin, amlodipine and perindopril", ATC: "C10BX14"}.Ingredients()
	if len(list) != 2 || list[0].Group() != CalciumChannel || list[1].Group() != ACEInhibitor {
		t.Errorf("a combination: %+v", list)
	}
}

func TestGroupsByThePrefixOfTheATCCode(t *testing.T) {
	for atc, want := range map[string]Group{
		"C03CA01": LoopDiuretic, "C03EB01": LoopDiuretic,
		"C03AA03": Thiazide, "C03BA11": Thiazide, "C03EA01": Thiazide,
		"C03DA01": PotassiumSparing, "C03DB01": PotassiumSparing,
		"C03XA01": OtherDiuretic, "C03BB03": OtherDiuretic, "C03": OtherDiuretic,
		"C09AA03": ACEInhibitor, "C09BA03": ACEInhibitor, "C09CA01": ARB, "C09DX04": ARB, "C09XA02": OtherReninAngio,
		"C07AB02": BetaBlocker, "C07FB02": BetaBlocker, "C08CA01": CalciumChannel, "C08DB01": CalciumChannel,
		"C02CA04": AlphaBlocker, "G04CA02": AlphaBlocker,
		"C02AC01": CentralAntihyperten, "C02AB01": CentralAntihyperten,
		"C02DB02": Vasodilator, "C02DC01": Vasodilator, "C02LA01": Vasodilator, "C02CC02": Vasodilator,
		"C02KX05": NoGroup, "C01DA02": Nitrate, "C01DA14": Nitrate,
		"C01DX22": NoGroup, "C01EB17": NoGroup, "C01EB18": NoGroup, "C01AA05": NoGroup, "G04CB01": NoGroup,
		"N02CX02": NoGroup, "A10BK01": NoGroup, "C01CA17": NoGroup, "": NoGroup,
	} {
		if got := GroupOf(atc); got != want {
			t.Errorf("%s is %q, want %q", atc, got, want)
		}
	}
	var diuretics []Group
	for _, g := range Groups {
		if g.Diuretic() {
			diuretics = append(diuretics, g)
		}
	}
	if !slices.Equal(diuretics, Groups[:4]) || len(Groups) != 13 {
		t.Errorf("diuretics are %v of %d groups", diuretics, len(Groups))
	}
}

func TestWhatElseAnATCCodeSays(t *testing.T) {
	cases := []struct {
		drug                                  string
		contributes, pressor, limits, recheck bool
	}{
		{"furosemide", false, false, false, true},
		{"metoprolol", false, false, true, true},
		{"verapamil", false, false, true, true},
		{"amlodipine", false, false, false, true},
		{"digoxin", false, false, true, false},
		{"ivabradine", false, false, true, false},
		{"empagliflozin", true, false, false, true},
		{"levodopa", true, false, false, true},
		{"pramipexole", true, false, false, true},
		{"selegiline", true, false, false, false}, // N04BD contributes, and owes no recheck
		{"amantadine", true, false, false, false},
		{"entacapone", false, false, false, false},
		{"vericiguat", true, false, false, false},
		{"methadone", true, false, false, false},
		{"promethazine", true, false, false, false},
		{"apixaban", false, false, false, false},
		{"sildenafil", true, false, false, false},
		{"amitriptyline", true, false, false, true},
		{"sertraline", true, false, false, false},
		{"quetiapine", true, false, false, true},
		{"lorazepam", true, false, false, false},
		{"zolpidem", true, false, false, false},
		{"clonazepam", true, false, false, false},
		{"gabapentin", true, false, false, false},
		{"oxycodone", true, false, false, false},
		{"oxybutynin", true, false, false, false},
		{"diphenhydramine", true, false, false, false},
		{"tizanidine", true, false, false, false},
		{"baclofen", false, false, false, false},
		{"midodrine", false, true, false, false},
		{"droxidopa", false, true, false, false},
		{"fludrocortisone", false, true, false, false},
		{"pyridostigmine", false, true, false, false},
	}
	for _, c := range cases {
		list, _ := Drug{Text: c.drug}.Ingredients()
		i := list[0]
		if i.Contributing() != c.contributes || i.Pressor() != c.pressor || i.RateLimiting() != c.limits || i.OwesRecheck() != c.recheck {
			t.Errorf("%s: contributing %v, pressor %v, rate-limiting %v, recheck %v", c.drug, i.Contributing(), i.Pressor(), i.RateLimiting(), i.OwesRecheck())
		}
	}
}

// Defined daily doses in mg by mouth: WHO ATC/DDD index 2026-04-25, read from a
// dated copy (check values, E-1).
const oralDDDs = `
furosemide C03CA01 40; bumetanide C03CA02 1; torasemide C03CA04 15; etacrynic acid C03CC01 50
hydrochlorothiazide C03AA03 25; chlorothiazide C03AA04 500; bendroflumethiazide C03AA01 2.5; chlortalidone C03BA04 25
metolazone C03BA08 5; indapamide C03BA11 2.5
spironolactone C03DA01 37.5; eplerenone C03DA04 50; finerenone C03DA05 20; amiloride C03DB01 10; triamterene C03DB02 100; tolvaptan C03XA01 30
captopril C09AA01 50; enalapril C09AA02 10; lisinopril C09AA03 10; perindopril C09AA04 4; ramipril C09AA05 2.5; quinapril C09AA06 15
benazepril C09AA07 7.5; fosinopril C09AA09 15; trandolapril C09AA10 2; moexipril C09AA13 15
losartan C09CA01 50; eprosartan C09CA02 600; valsartan C09CA03 80; irbesartan C09CA04 150; candesartan C09CA06 8; telmisartan C09CA07 40
olmesartan C09CA08 20; azilsartan C09CA09 40; aliskiren C09XA02 150
pindolol C07AA03 15; propranolol C07AA05 160; timolol C07AA06 20; sotalol C07AA07 160; nadolol C07AA12 160; metoprolol C07AB02 150
atenolol C07AB03 75; acebutolol C07AB04 400; betaxolol C07AB05 20; bisoprolol C07AB07 10; nebivolol C07AB12 5; labetalol C07AG01 600; carvedilol C07AG02 37.5
amlodipine C08CA01 5; felodipine C08CA02 5; isradipine C08CA03 5; nicardipine C08CA04 90; nifedipine C08CA05 30; nimodipine C08CA06 300
verapamil C08DA01 240; diltiazem C08DB01 240
prazosin C02CA01 5; doxazosin C02CA04 4; urapidil C02CA06 120; alfuzosin G04CA01 7.5; tamsulosin G04CA02 0.4; terazosin G04CA03 5; silodosin G04CA04 8
methyldopa C02AB01 1000; reserpine C02AA02 0.5; clonidine C02AC01 0.45; guanfacine C02AC02 3; moxonidine C02AC05 0.3
hydralazine C02DB02 100; minoxidil C02DC01 20; nitroglycerin C01DA02 5; isosorbide dinitrate C01DA08 60; isosorbide mononitrate C01DA14 40
ranolazine C01EB18 1500; ivabradine C01EB17 10; vericiguat C01DX22 10; riociguat C02KX05 4.5
dapagliflozin A10BK01 10; canagliflozin A10BK02 200; empagliflozin A10BK03 17.5; ertugliflozin A10BK04 10
levodopa N04BA02 600; bromocriptine N04BC01 40; ropinirole N04BC04 6; pramipexole N04BC05 2.5; cabergoline N04BC06 3
selegiline N04BD01 5; rasagiline N04BD02 1; amantadine N04BB01 200; entacapone N04BX02 1000
desipramine N06AA01 100; imipramine N06AA02 100; clomipramine N06AA04 100; trimipramine N06AA06 150; amitriptyline N06AA09 75; nortriptyline N06AA10 75; doxepin N06AA12 100
fluoxetine N06AB03 20; citalopram N06AB04 20; paroxetine N06AB05 20; sertraline N06AB06 50; escitalopram N06AB10 10; trazodone N06AX05 300
mirtazapine N06AX11 30; bupropion N06AX12 300; venlafaxine N06AX16 100; duloxetine N06AX21 60
chlorpromazine N05AA01 300; haloperidol N05AD01 8; ziprasidone N05AE04 80; lurasidone N05AE05 60; clozapine N05AH02 300; olanzapine N05AH03 10
quetiapine N05AH04 400; risperidone N05AX08 5; aripiprazole N05AX12 15; paliperidone N05AX13 6
diazepam N05BA01 10; lorazepam N05BA06 2.5; alprazolam N05BA12 1; temazepam N05CD07 20; zopiclone N05CF01 7.5; zolpidem N05CF02 10; clonazepam N03AE01 8
gabapentin N02BF01 1800; pregabalin N02BF02 300; morphine N02AA01 100; hydromorphone N02AA03 20; oxycodone N02AA05 75; tramadol N02AX02 300
sildenafil G04BE03 50; tadalafil G04BE08 10; vardenafil G04BE09 10; avanafil G04BE10 100
digoxin C01AA05 0.25; tizanidine M03BX02 12; baclofen M03BX01 50; oxybutynin G04BD04 15; hydroxyzine N05BB01 75; diphenhydramine R06AA02 200
midodrine C01CA17 30; droxidopa C01CA27 1000; fludrocortisone H02AA02 0.1; pyridostigmine N07AA02 180`

func TestTheTableOfDrugsIsThatOfTheIndex(t *testing.T) {
	seen := 0
	for _, entry := range strings.FieldsFunc(oralDDDs, func(r rune) bool { return r == ';' || r == '\n' }) {
		f := strings.Fields(entry)
		name, atc, ddd := strings.Join(f[:len(f)-2], " "), f[len(f)-2], f[len(f)-1]
		list, known := Drug{Text: name}.Ingredients()
		if !known || list[0].Name != name || list[0].ATC != atc {
			t.Errorf("%s: %+v, want %s", name, list, atc)
			continue
		}
		if got, ok := list[0].DDD(Oral); !ok || fmt.Sprint(got) != ddd {
			t.Errorf("%s: DDD %v, want %s", name, got, ddd)
		}
		seen++
	}
	// Besides those: sacubitril/valsartan, which has none, rotigotine, which has none by mouth,
	// and those that are known by name and class alone.
	classOnly := 0
	for _, s := range substances {
		if len(s.DDD) == 0 {
			classOnly++
		}
	}
	if len(substances) != seen+1+classOnly || classOnly != 36 {
		t.Errorf("%d names in the table, %d in the index's excerpt, %d without a DDD", len(substances), seen, classOnly)
	}
}

func TestOtherRoutesHaveTheirOwnDDD(t *testing.T) {
	cases := []struct {
		name  string
		route Route
		want  float64 // 0: none
	}{
		{"furosemide", Parenteral, 40}, {"bumetanide", Parenteral, 1}, {"torasemide", Parenteral, 15},
		{"nitroglycerin", Sublingual, 2.5}, {"nitroglycerin", Transdermal, 5}, {"isosorbide dinitrate", Sublingual, 20},
		{"rotigotine", Oral, 0}, {"lisinopril", Parenteral, 0}, {"sacubitril/valsartan", Oral, 0}, {"furosemide", Route("rectal"), 0},
	}
	for _, c := range cases {
		list, _ := Drug{Text: c.name}.Ingredients()
		if got, ok := list[0].DDD(c.route); got != c.want || ok != (c.want != 0) {
			t.Errorf("%s %s: %v, want %v", c.name, c.route, got, c.want)
		}
	}
	list, _ := Drug{Text: "clonidine", ATC: "N02CX02"}.Ingredients()
	if got, _ := list[0].DDD(Oral); got != 0.1 || list[0].Lowering() {
		t.Errorf("clonidine for migraine: DDD %v, lowering %v", got, list[0].Lowering())
	}
}

// Check arithmetic of the check values, section E.
func TestDailyDosesInDDDs(t *testing.T) {
	cases := []struct {
		name string
		mg   float64
		want float64
	}{
		{"furosemide", 80, 2}, {"lisinopril", 40, 4},
		{"spironolactone", 75, 2}, // 1.0 by the DDD of 75 that held until 2024
		{"sildenafil", 60, 1.2},
	}
	for _, c := range cases {
		list, _ := Drug{Text: c.name}.Ingredients()
		if ddd, _ := list[0].DDD(Oral); math.Abs(c.mg/ddd-c.want) > 1e-12 {
			t.Errorf("%s %v mg: %v DDD, want %v", c.name, c.mg, c.mg/ddd, c.want)
		}
	}
}

func TestTheStrengthOfATabletIsReadFromTheText(t *testing.T) {
	for text, want := range map[string]string{
		"Furosemide 40 MG Oral Tablet":                                   "40",
		"furosemide 0.5 g":                                               "500",
		"tamsulosin 400 mcg":                                             "0.4",
		"tamsulosin 400 µg":                                              "0.4",
		"levodopa 100mg / carbidopa 25mg":                                "100",
		"carbidopa 25 MG / levodopa 100 MG Oral Tablet":                  "100",
		"lisinopril 20 MG / hydrochlorothiazide 12.5 MG":                 "20, 12.5",
		"lisinopril / hydrochlorothiazide 20 MG / 12.5 MG":               "20, 12.5",
		"amlodipine 5 MG / valsartan 160 MG / hydrochlorothiazide 25 MG": "5, 160, 25",
		"isosorbide dinitrate 20 MG / hydralazine 37.5 MG":               "20, 37.5",
		"sacubitril 24 MG / valsartan 26 MG":                             "50",
		"24 HR metoprolol succinate 50 MG":                               "50",
		"furosemide":                                                     "-",
		"furosemide 10 MG/ML":                                            "-", // a concentration
		"furosemide 20 MG/2 ML injection":                                "-",
		"furosemide 10 MG / ML":                                          "-",
		"nitroglycerin 0.2 MG/HR patch":                                  "-",
		"nitroglycerin 0.4 MG/ACTUAT spray":                              "-",
		"metoprolol 1,000 mg":                                            "-", // not guessed
		"lisinopril/hydrochlorothiazide 20-12.5 mg":                      "20, 12.5",
		"lisinopril/hydrochlorothiazide 20 mg/12.5 mg":                   "20, 12.5",
		"hydrochlorothiazide-lisinopril 12.5 mg-20 mg oral tablet":       "12.5, 20",
		"lisinopril/hydrochlorothiazide 20 mg":                           "-, -", // whose?
		"lisinopril 5 mg 20 mg hydrochlorothiazide":                      "-, -", // two of one, none of the other
		"lisinopril / filler / coating 20 mg / 5 mg":                     "-",    // two strengths of three names
		"carbidopa/levodopa 25 mg/100 mg":                                "100",
		"carbidopa-levodopa 25 mg-100 mg":                                "100",
		"carbidopa / levodopa 25 MG / 100 MG":                            "100",
		"carbidopa-levodopa 25-100 mg":                                   "100",
		"levodopa/carbidopa 100 mg":                                      "-",
		"levodopa/carbidopa/entacapone 100 mg / 25 mg / 200 mg":          "100, 200",
		"Amlodipine/Valsartan/HCTZ 5 mg / 160 mg / 12.5 mg":              "5, 160, 12.5", // HCTZ is known since E-4
		"Amlodipine/Valsartan/Other 5 mg / 160 mg / 12.5 mg":             "5, 160",
		"sacubitril-valsartan 49 mg-51 mg":                               "100",
		"clonidine 0.1 mg/day patch":                                     "-",
		"furosemide 20-40 mg":                                            "-", // a range
		"ramipril 2·5 mg":                                                "-",
		"furosemide 20 mg per 2 ml":                                      "-",
		"extended-release metoprolol 50 mg":                              "50",
		"lisinopril / hydrochlorothiazide":                               "-, -",
		"metoprolol/metoprolol tartrate 50 mg":                           "50", // one ingredient named twice counts once
		"Lasix / furosemide 40 mg":                                       "40",
		"metoprolol/metoprolol/amlodipine 50/5 mg":                       "50, 5",
		"lisinopril 20 MG / hydrochlorothiazide":                         "-, -",
		"losartan, hydrochlorothiazide 50 mg, 12.5 mg":                   "50, 12.5",
		"losartan hydrochlorothiazide 50 mg 12.5 mg":                     "50, 12.5",
		"losartan/hydrochlorothiazide 50/12.5 mg":                        "50, 12.5",
		"Hyzaar 50/12.5 mg":                                              "50, 12.5",
		"Zestoretic 20 mg":                                               "-, -",
		"Zestoretic 20-12.5 mg and amlodipine":                           "-, -, -",
		"amlodipine 5 mg, Zestoretic 20/12.5 mg":                         "5, 20, 12.5",
		"amlodipine 5 mg, Zestoretic 20 mg":                              "-, -, -",
		"Entresto 49/51 mg":                                              "100",
		"Entresto 100 mg":                                                "100",
		"sacubitril/valsartan 100 mg":                                    "-", // one for two names
		"Sinemet 25/100 mg":                                              "-", // two for one name
		"Sinemet (carbidopa/levodopa) 25/100 mg":                         "100",
		"amlodipine 5-10 mg / valsartan 160 mg":                          "-, 160",
		"5 mg amlodipine / 160 mg valsartan":                             "5, 160",
		"40 mg furosemide":                                               "40",
		"other 5 mg / lisinopril":                                        "-",
		"furosemide 20 to 40 mg":                                         "-",
		"furosemide 20–40 mg":                                            "-",
		"extended-release metoprolol 25-50 mg":                           "-",
		"furosemide 20 or 40 units":                                      "-",
	} {
		list, _ := Drug{Text: text}.Ingredients()
		var out []string
		for _, i := range list {
			if i.StrengthMG == nil {
				out = append(out, "-")
			} else {
				out = append(out, fmt.Sprint(*i.StrengthMG))
			}
		}
		if got := strings.Join(out, ", "); got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
	list, _ := Drug{Text: "Lasix 40 mg", ATC: "C03CA01"}.Ingredients()
	if s := list[0].StrengthMG; s == nil || *s != 40 {
		t.Errorf("the one strength of a drug known by its code: %v", s)
	}
}

func TestTheAmountOfADoseInMG(t *testing.T) {
	two := 2.0
	cases := []struct {
		text string
		dose *float64
		unit string
		want float64 // -1: not known
	}{
		{"furosemide", &two, "mg", 2}, {"furosemide", &two, " MG ", 2}, {"furosemide", &two, "g", 2000},
		{"furosemide", &two, "ug", 0.002}, {"furosemide", &two, "mcg", 0.002}, {"furosemide", &two, "µg", 0.002}, {"furosemide", &two, "μg", 0.002},
		{"furosemide 40 MG", &two, "tablet", 80}, {"furosemide 40 MG", &two, "Tabs", 80}, {"furosemide 40 MG", &two, "{tbl}", 80}, {"furosemide 40 MG", &two, "capsule", 80},
		{"furosemide", &two, "tablet", -1}, {"furosemide 40 MG", &two, "mL", -1}, {"furosemide 40 MG", &two, "", -1}, {"furosemide 40 MG", nil, "mg", -1},
		{"lisinopril 20 MG / hydrochlorothiazide 12.5 MG", &two, "tablet", 40},
		{"lisinopril 20 MG / hydrochlorothiazide 12.5 MG", &two, "mg", -1}, // a mass of the whole
	}
	for _, c := range cases {
		list, _ := Drug{Text: c.text}.Ingredients()
		got, ok := list[0].AmountMG(c.dose, c.unit)
		if ok != (c.want >= 0) || ok && math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%q, unit %q: %v %v, want %v", c.text, c.unit, got, ok, c.want)
		}
	}
}

func TestRoutesAreReadInAnyCase(t *testing.T) {
	for word, want := range map[string]Route{
		"": Oral, "oral": Oral, "PO": Oral, "by mouth": Oral, "NG": Oral, "og": Oral, "PEG": Oral, " tube ": Oral,
		"parenteral": Parenteral, "IV": Parenteral, "im": Parenteral, "SC": Parenteral, "intravenous": Parenteral, "intramuscular": Parenteral, "subcutaneous": Parenteral,
		"sublingual": Sublingual, "SL": Sublingual, "transdermal": Transdermal, "td": Transdermal, "Patch": Transdermal,
		"rectal": "rectal",
	} {
		if got, local := RouteOf(word); got != want || local {
			t.Errorf("%q is %q, local %v, want %q", word, got, local, want)
		}
	}
	for _, word := range []string{"Ophthalmic", "otic", "nasal", "topical", "inhaled", "vaginal"} {
		if _, local := RouteOf(word); !local {
			t.Errorf("%q acts all over", word)
		}
	}
}

// Trade names and abbreviations of the check values, E-4 (all from memory there).
func TestTradeNamesAndAbbreviations(t *testing.T) {
	for text, want := range map[string]string{
		"Lasix 40 mg": "furosemide", "LASIX": "furosemide", "frusemide": "furosemide", "HCTZ": "hydrochlorothiazide",
		"losartan HCT": "losartan, hydrochlorothiazide", "Nitro-Dur": "nitroglycerin", "GTN spray": "nitroglycerin",
		"glyceryl trinitrate": "nitroglycerin", "ISMN 30": "isosorbide mononitrate", "ISDN": "isosorbide dinitrate",
		"Entresto": "sacubitril/valsartan", "Zestoretic": "lisinopril, hydrochlorothiazide", "Hyzaar": "losartan, hydrochlorothiazide",
		"Toprol XL": "metoprolol", "Sinemet": "levodopa", "Percocet": "oxycodone", "aspirin": "acetylsalicylic acid",
		"Acetylsalicylic Acid 100 MG": "acetylsalicylic acid", "Eliquis": "apixaban", "lercanidipine": "lercanidipine",
		"Lasix2": "furosemide", "(Lasix)": "furosemide", "Lasixx": "?", "xLasix": "?", "HCTZx": "?", "Lasixé": "?",
		"Lasix (furosemide) 40 mg":          "furosemide",
		"Zestoretic (lisinopril)":           "hydrochlorothiazide, lisinopril", // the brand gives what is not named otherwise
		"lisinopril Zestoretic":             "lisinopril, hydrochlorothiazide",
		"Entresto (sacubitril/valsartan)":   "sacubitril/valsartan",
		"Hyzaar and Zestoretic":             "losartan, hydrochlorothiazide, lisinopril", // once, from its first place
		"glyceryl, trinitrate":              "?",
		"carbidopa":                         "?", // by itself it is no levodopa
		"Zestril HCTZ 20 mg / 12.5 mg":      "lisinopril, hydrochlorothiazide",
		"acetylsalicylic acid/dipyridamole": "acetylsalicylic acid, dipyridamole",
	} {
		if got := named(Drug{Text: text}); got != want {
			t.Errorf("%q is %s, want %s", text, got, want)
		}
	}
}

// E-DRUG, routes: the field, else whole words of the text, the first rule that fits.
func TestTheRouteOfAnIngredient(t *testing.T) {
	for _, c := range []struct {
		text, route string
		want        string
	}{
		{"furosemide", "", "oral"}, {"furosemide", "IV", "parenteral"}, {"furosemide", "rectal", "rectal"},
		{"nitroglycerin ointment", "", "transdermal"}, {"nitroglycerin", "topical", "transdermal"}, {"clonidine", "Topical", "transdermal"},
		{"clonidine patch", "", "transdermal"}, {"ISDN cream", "", "transdermal"}, {"nitroglycerin gel", "", "transdermal"},
		{"nitroglycerin transdermal", "", "transdermal"}, {"nitroglycerin patch", "po", "oral"},
		{"nitroglycerin nasal ointment", "", "local"}, {"timolol eye drops", "", "local"}, {"timolol ophthalmic", "", "local"},
		{"metoprolol otic", "", "local"}, {"furosemide ear drops", "", "local"}, {"furosemide inhaler", "", "local"},
		{"furosemide inhalation", "", "local"}, {"minoxidil shampoo", "", "local"}, {"sildenafil vaginal", "", "local"},
		{"minoxidil cream", "", "local"}, {"minoxidil gel", "", "local"}, {"doxepin ointment", "", "local"},
		{"minoxidil patch", "", "oral"}, // patch tells of a nitrate or clonidine alone
		{"minoxidil", "topical", "local"}, {"nitroglycerin", "nasal", "local"}, {"nitroglycerin", "ophthalmic", "local"},
		{"furosemide eyes", "", "oral"}, {"furosemide early", "", "oral"}, {"lisinopril gelcap", "", "oral"},
	} {
		list, _ := Drug{Text: c.text}.Ingredients()
		r, local := list[0].RouteBy(RouteTold{c.route, c.text})
		got := string(r)
		if local {
			got = "local"
		}
		if got != c.want {
			t.Errorf("%s by %q: %s, want %s", c.text, c.route, got, c.want)
		}
	}
	list, _ := Drug{Text: "nitroglycerin / minoxidil ointment"}.Ingredients()
	if _, local := list[0].RouteBy(RouteTold{Text: "ointment"}); local {
		t.Error("each ingredient of a combination has its own route")
	}
	if _, local := list[1].RouteBy(RouteTold{Text: "ointment"}); !local {
		t.Error("each ingredient of a combination has its own route")
	}
}
