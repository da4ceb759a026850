package clinical

import (
	"compress/gzip"
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The published ATC codes and DDDs are held in drugs_test.go (oralDDDs and the
// other routes); here are the rest of what is published of drugs and units.

// RxNorm ingredient codes, by how sure they are.
const (
	// Seen in CPIC's drug table (github cpicpgx/cpic-schema, drug.sql).
	rxNormOfCPIC = `amitriptyline 704; aripiprazole 89013; bupropion 42347; captopril 1998; carvedilol 20352; citalopram 2556
clomipramine 2597; clozapine 2626; desipramine 3247; diazepam 3322; digoxin 3407; doxepin 3638; duloxetine 72625
escitalopram 321988; fluoxetine 4493; furosemide 4603; haloperidol 5093; hydralazine 5470; hydrochlorothiazide 5487
imipramine 5691; isosorbide_dinitrate 6058; metoprolol 6918; mirtazapine 15996; morphine 7052; nortriptyline 7531
olanzapine 61381; oxycodone 7804; paroxetine 32937; propranolol 8787; risperidone 35636; sertraline 36437; sildenafil 136411
spironolactone 9997; tamsulosin 77492; timolol 10600; tramadol 10689; trimipramine 10834; venlafaxine 39786`
	// From memory, seen since in one public list of RxNorm ingredients by ATC class
	// (torasemide in two other lists).
	rxNormSeenSince = `lisinopril 29046; enalapril 3827; ramipril 35296; benazepril 18867; quinapril 35208; losartan 52175
valsartan 69749; irbesartan 83818; candesartan 214354; olmesartan 321064; telmisartan 73494; amlodipine 17767; nifedipine 7417
felodipine 4316; diltiazem 3443; verapamil 11170; atenolol 1202; bisoprolol 19484; labetalol 6185; nadolol 7226; nebivolol 31555
doxazosin 49276; prazosin 8629; clonidine 2599; guanfacine 40114; methyldopa 6876; minoxidil 6984; trazodone 10737
midodrine 6963; torasemide 38413`
	// From memory, not verified.
	rxNormFromMemory = `bumetanide 1808; chlortalidone 2409; metolazone 6916; indapamide 5764; amiloride 644; triamterene 10763
eplerenone 298869; sacubitril/valsartan 1656328; terazosin 37798; nitroglycerin 4917; dapagliflozin 1488564; empagliflozin 1545653
canagliflozin 1373458; levodopa 6375; pramipexole 746741; ropinirole 72302; quetiapine 51272; tadalafil 358263
fludrocortisone 4452; lorazepam 6470; zolpidem 39993`
)

func TestTheRxNormCodesOfTheTable(t *testing.T) {
	checked := 0
	for _, table := range []string{rxNormOfCPIC, rxNormSeenSince, rxNormFromMemory} {
		for _, e := range entries(table) {
			name := strings.ReplaceAll(e[0], "_", " ")
			if got := named(Drug{Text: "a brand", RxNorm: e[1]}); got != name {
				t.Errorf("RxNorm %s is %s, want %s", e[1], got, name)
			}
			checked++
		}
	}
	if checked != len(byRxNorm) {
		t.Errorf("%d RxNorm codes are checked, the table has %d: say of each new one where it was seen", checked, len(byRxNorm))
	}
}

// The classes of the check values, section E-1 (WHO ATC index of 2026-04-25). A
// drug that raises the pressure must never count as lowering it.
func TestEachPublishedDrugIsInItsClass(t *testing.T) {
	lowering := map[Group]string{
		LoopDiuretic:        "furosemide bumetanide torasemide etacrynic_acid",
		Thiazide:            "hydrochlorothiazide chlorothiazide bendroflumethiazide chlortalidone metolazone indapamide",
		PotassiumSparing:    "spironolactone eplerenone finerenone amiloride triamterene",
		OtherDiuretic:       "tolvaptan",
		ACEInhibitor:        "captopril enalapril lisinopril perindopril ramipril quinapril benazepril fosinopril trandolapril moexipril zofenopril",
		ARB:                 "losartan eprosartan valsartan irbesartan candesartan telmisartan olmesartan azilsartan sacubitril/valsartan",
		OtherReninAngio:     "aliskiren",
		BetaBlocker:         "pindolol propranolol timolol sotalol nadolol metoprolol atenolol acebutolol betaxolol bisoprolol nebivolol labetalol carvedilol",
		CalciumChannel:      "amlodipine felodipine isradipine nicardipine nifedipine nimodipine verapamil diltiazem lercanidipine",
		AlphaBlocker:        "prazosin doxazosin urapidil alfuzosin tamsulosin terazosin silodosin",
		CentralAntihyperten: "methyldopa reserpine clonidine guanfacine moxonidine",
		Vasodilator:         "hydralazine minoxidil",
		Nitrate:             "nitroglycerin isosorbide_dinitrate isosorbide_mononitrate",
	}
	contributing := `dapagliflozin canagliflozin empagliflozin ertugliflozin levodopa bromocriptine ropinirole pramipexole cabergoline
		rotigotine desipramine imipramine clomipramine trimipramine amitriptyline nortriptyline doxepin fluoxetine citalopram paroxetine
		sertraline escitalopram trazodone mirtazapine bupropion venlafaxine duloxetine chlorpromazine haloperidol ziprasidone lurasidone
		clozapine olanzapine quetiapine risperidone aripiprazole paliperidone diazepam lorazepam alprazolam temazepam zopiclone zolpidem
		clonazepam gabapentin pregabalin morphine hydromorphone oxycodone tramadol sildenafil tadalafil vardenafil avanafil tizanidine
		oxybutynin hydroxyzine diphenhydramine vericiguat selegiline rasagiline amantadine promethazine solifenacin
		tolterodine fentanyl methadone`
	pressors := "midodrine droxidopa fludrocortisone pyridostigmine"
	// Known by name, and by the rules of none of these groups: entacapone (N04BX) is not
	// among the contributing Parkinson codes. Antithrombotics have their own (E-GIVEN).
	neither := `ranolazine ivabradine riociguat entacapone digoxin baclofen
		apixaban rivaroxaban edoxaban dabigatran warfarin enoxaparin heparin dalteparin clopidogrel acetylsalicylic_acid
		ticagrelor prasugrel phenprocoumon acenocoumarol fluindione nadroparin danaparoid tinzaparin bemiparin ticlopidine
		dipyridamole cilostazol cangrelor alteplase tenecteplase argatroban bivalirudin fondaparinux`

	seen := 0
	check := func(names string, group Group, contributes, pressor bool) {
		for _, name := range strings.Fields(names) {
			name = strings.ReplaceAll(name, "_", " ")
			list, known := Drug{Text: name}.Ingredients()
			if !known || len(list) != 1 || list[0].Name != name {
				t.Errorf("%s is known as %+v", name, list)
				continue
			}
			i := list[0]
			if i.Group() != group || i.Lowering() != (group != NoGroup) || i.Contributing() != contributes || i.Pressor() != pressor {
				t.Errorf("%s: group %q, contributing %v, pressor %v", name, i.Group(), i.Contributing(), i.Pressor())
			}
			seen++
		}
	}
	for group, names := range lowering {
		check(names, group, false, false)
	}
	check(contributing, NoGroup, true, false)
	check(pressors, NoGroup, false, true)
	check(neither, NoGroup, false, false)
	if seen != len(substances) {
		t.Errorf("%d drugs are checked, the table has %d", seen, len(substances))
	}
}

// Traps 1 and 2 of the check values: the DDD of spironolactone is 37.5 mg (75 in
// snapshots of the index of 2021-12-03 and 2024-07-31, 37.5 in those of 2025-06-14
// and 2026-04-25), and sacubitril/valsartan has none. By whichever way the drug is
// known.
func TestTheTwoDDDsThatAreEasilyWrong(t *testing.T) {
	for _, d := range []Drug{{Text: "spironolactone"}, {Text: "x", ATC: "C03DA01"}, {Text: "x", RxNorm: "9997"}} {
		list, _ := d.Ingredients()
		if got, _ := list[0].DDD(Oral); got != 37.5 {
			t.Errorf("%+v: DDD %v, want 37.5", d, got)
		}
	}
	for _, d := range []Drug{
		{Text: "sacubitril/valsartan"}, {Text: "Sacubitril 49 MG / Valsartan 51 MG"}, {Text: "valsartan", ATC: "C09DX04"},
		{Text: "x", RxNorm: "1656328"},
	} {
		list, _ := d.Ingredients()
		if len(list) != 1 || list[0].Group() != ARB {
			t.Errorf("%+v is %+v", d, list)
		}
		for _, r := range []Route{Oral, Parenteral, Sublingual, Transdermal} {
			if got, ok := list[0].DDD(r); ok || got != 0 {
				t.Errorf("%+v, %s: DDD %v", d, r, got)
			}
		}
	}
}

// 3 x 20 mg of sildenafil are 1.2 DDDs, and none of them are in the load: G04BE is
// contributing (check values, E-1).
func TestAContributingDrugHasADDDThatTheLoadLeavesOut(t *testing.T) {
	list, _ := Drug{Text: "sildenafil 20 MG"}.Ingredients()
	three := 3.0
	mg, ok := list[0].AmountMG(&three, "tablet")
	ddd, _ := list[0].DDD(Oral)
	if !ok || math.Abs(mg/ddd-1.2) > 1e-12 || list[0].Lowering() {
		t.Errorf("%v mg, DDD %v, lowering %v", mg, ddd, list[0].Lowering())
	}
}

// The CDISC pilot charted weights in pounds, and standardised them to kilograms
// with two decimals. It multiplied by 0.4536 (seen in the data: that factor gives
// every row), so the exact pound of the program differs by up to 1.7 in 100,000 and
// the rounding: under 0.01 kg.
func TestPoundsOfTheCDISCPilot(t *testing.T) {
	file, err := os.Open("../../../shared/data/cdisc-pilot-even/vs.csv.gz")
	if err != nil {
		t.Skip("the open data is not here: put the CDISC pilot's vs.csv.gz beside the project to run this")
	}
	defer file.Close()
	unpacked, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(unpacked).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := func(name string) int { return slices.Index(rows[0], name) }
	test, pounds, unit, kilograms := column("VSTESTCD"), column("VSORRES"), column("VSORRESU"), column("VSSTRESN")
	factor, _ := UnitFactor(MeasureWeight, "lb")
	compared := 0
	for _, r := range rows[1:] {
		lb, err := strconv.ParseFloat(r[pounds], 64)
		if r[test] != "WEIGHT" || r[unit] != "LB" || err != nil {
			continue
		}
		kg, err := strconv.ParseFloat(r[kilograms], 64)
		if err != nil || math.Abs(lb*factor-kg) > 0.01 || math.Abs(lb*0.4536-kg) > 0.00501 {
			t.Errorf("%v lb are %.3f kg, charted as %s", lb, lb*factor, r[kilograms])
		}
		compared++
	}
	if compared != 976 {
		t.Errorf("%d weights in pounds were compared, the file has 976", compared)
	}
}
