package clinical

import "strings"

// tradeNameList are brand names and abbreviations in common use, in any case: facts of
// the trade, from memory. A line names what they stand for; of a combination the
// ingredients in the order in which their strengths are written. A plus before the one
// ingredient says that its partner is not in the table of drugs.
const tradeNameList = `
furosemide: Lasix, frusemide
bumetanide: Bumex, Burinex
torasemide: Demadex, torsemide
hydrochlorothiazide: HCTZ, HCT, Microzide, Esidrix
chlortalidone: chlorthalidone, Hygroton
indapamide: Lozol, Natrilix
metolazone: Zaroxolyn
spironolactone: Aldactone
eplerenone: Inspra
triamterene: Dyrenium
lisinopril: Zestril, Prinivil
enalapril: Vasotec, Renitec
ramipril: Altace, Tritace
captopril: Capoten
benazepril: Lotensin
quinapril: Accupril
perindopril: Coversyl, Aceon
losartan: Cozaar
valsartan: Diovan
candesartan: Atacand
irbesartan: Avapro, Aprovel
olmesartan: Benicar
telmisartan: Micardis
sacubitril + valsartan: Entresto
metoprolol: Lopressor, Toprol, Betaloc
atenolol: Tenormin
bisoprolol: Concor, Zebeta
carvedilol: Coreg, Dilatrend
nebivolol: Bystolic, Nebilet
propranolol: Inderal
labetalol: Trandate
sotalol: Betapace
amlodipine: Norvasc, Istin
nifedipine: Adalat, Procardia
felodipine: Plendil
diltiazem: Cardizem
verapamil: Calan, Isoptin
doxazosin: Cardura
prazosin: Minipress
terazosin: Hytrin
tamsulosin: Flomax, Omnic
alfuzosin: Uroxatral, Xatral
silodosin: Rapaflo
clonidine: Catapres
methyldopa: Aldomet
guanfacine: Tenex
hydralazine: Apresoline
minoxidil: Loniten
nitroglycerin: glyceryl trinitrate, NTG, GTN, Nitrostat, Nitro-Dur
isosorbide mononitrate: ISMN, Imdur
isosorbide dinitrate: ISDN, Isordil
lisinopril + hydrochlorothiazide: Zestoretic, Prinzide
losartan + hydrochlorothiazide: Hyzaar
midodrine: ProAmatine
droxidopa: Northera
fludrocortisone: Florinef
+ levodopa: Sinemet, Madopar
ropinirole: Requip
pramipexole: Mirapex
empagliflozin: Jardiance
dapagliflozin: Farxiga, Forxiga
quetiapine: Seroquel
olanzapine: Zyprexa
haloperidol: Haldol
lorazepam: Ativan
alprazolam: Xanax
diazepam: Valium
zolpidem: Ambien, Stilnox
zopiclone: Imovane
sertraline: Zoloft
escitalopram: Lexapro, Cipralex
mirtazapine: Remeron
trazodone: Desyrel
amitriptyline: Elavil
gabapentin: Neurontin
pregabalin: Lyrica
oxycodone: OxyContin, Percocet
tramadol: Ultram
oxybutynin: Ditropan
tolterodine: Detrol
solifenacin: Vesicare
diphenhydramine: Benadryl
apixaban: Eliquis
rivaroxaban: Xarelto
dabigatran: Pradaxa
warfarin: Coumadin
enoxaparin: Lovenox, Clexane
clopidogrel: Plavix
acetylsalicylic acid: aspirin
`

// tradeName is a line of the list.
type tradeName struct {
	of       []string // names of the table, the two of the pair apart
	called   []string
	combined bool
}

func tradeNames() []tradeName {
	var out []tradeName
	for _, line := range strings.Split(strings.TrimSpace(tradeNameList), "\n") {
		of, called, _ := strings.Cut(line, ": ")
		t := tradeName{called: strings.Split(called, ", "), combined: strings.Contains(of, "+")}
		t.of = strings.Split(strings.TrimPrefix(of, "+ "), " + ")
		out = append(out, t)
	}
	return out
}

// names makes the names of the line; byName are the substances of the table.
func (t tradeName) names(byName map[string]*substance) []drugName {
	pair := len(t.of) == 2 && t.of[0] == "sacubitril"
	var parts []part
	for _, name := range t.of {
		sub := byName[name]
		if pair {
			sub = byATC[sacubitrilValsartan]
		}
		parts = append(parts, part{name, sub})
	}
	var out []drugName
	for _, called := range t.called {
		out = append(out, drugName{words: splitName(called), parts: parts, combined: t.combined})
	}
	return out
}

func splitName(name string) []string {
	var words []string
	for _, w := range wordsOf(strings.ToLower(name)) {
		words = append(words, w.text)
	}
	return words
}
