package trends

import (
	"fmt"
	"strings"
	"testing"
)

// Published definitions against the whole way from charted readings to a finding.
// Single boundaries and the worked cases stand in judge_test.go and cases_test.go;
// here are whole ranges across them, what the definitions say of one another, and
// where the program's answer differs from a published label, and why.

// Every pair of drops from 10 above to well past the thresholds. 20 and 10:
// Freeman 2011, Clin Auton Res 21:69 (seen in PMC4751507 and PMC3769179, which
// cite it). 15 and 7 from a chair: Shaw 2017, J Hypertens 35:1019 (seen,
// PMC5542884). On sitting up the lying thresholds hold, and no drop proves
// nothing: standing was not tested (reasoning).
func TestEveryPairOfDropsIsJudgedByTheThresholdsOfItsKind(t *testing.T) {
	for _, k := range []struct {
		from, to            string
		systolic, diastolic float64
		otherwise           string
	}{
		{"lying", "standing", 20, 10, Negative},
		{"lying", "sitting", 20, 10, Inconclusive},
		{"sitting", "standing", 15, 7, Negative},
	} {
		for drop := -10.0; drop <= 24; drop++ {
			for diastolic := -10.0; diastolic <= 13; diastolic++ {
				s := setOf(t, fmt.Sprintf("0 %s 130/80 up=5; 3 %s %v/%v up=3", k.from, k.to, 130-drop, 80-diastolic))
				var met []string
				if drop >= k.systolic {
					met = append(met, CritSystolic)
				}
				if diastolic >= k.diastolic {
					met = append(met, CritDiastolic)
				}
				want := k.otherwise
				if len(met) > 0 {
					want = Positive
				}
				if s.Finding != want || strings.Join(s.Criteria, " ") != strings.Join(met, " ") {
					t.Errorf("%s to %s, drops %v and %v: %s by %v, want %s by %v", k.from, k.to, drop, diastolic, s.Finding, s.Criteria, want, met)
				}
			}
		}
	}
}

// A standing systolic under 90: Brignole 2018, Eur Heart J 39:1883 (seen through a
// review; its text from memory) and RCP 2017 (from memory). That it says something
// only where the patient was at 90 or more before is the program's (reasoning).
func TestEveryPairAroundASystolicOfNinety(t *testing.T) {
	for lying := 85.0; lying <= 112; lying++ {
		for standing := 86.0; standing <= 93; standing++ {
			s := setOf(t, fmt.Sprintf("0 lying %v/50 up=5; 3 standing %v/50 up=3", lying, standing))
			want := Negative
			switch {
			case lying-standing >= 20 || lying >= 90 && standing < 90:
				want = Positive
			case lying < 90:
				want = Inconclusive
			}
			if s.Finding != want || s.Meets(CritLow) != (lying >= 90 && standing < 90) {
				t.Errorf("%v to %v: %s by %v, want %s", lying, standing, s.Finding, s.Criteria, want)
			}
		}
	}
}

// A pulse rise of 30, and of 40 at ages 12 to 19: the POTS consensus (seen,
// ccjm.org). 30 for large blood loss: McGee 1999, JAMA 281:1022 (seen). 20 %: common
// practice, no source. The lying pulse is 100, so that the rise is the percentage.
func TestEveryPulseRiseByAge(t *testing.T) {
	for age := 17; age <= 22; age++ {
		threshold := 30
		if age < 20 {
			threshold = 40
		}
		for rise := 15; rise <= 45; rise++ {
			c := newChart(t).readings(fmt.Sprintf("0 lying 120/75 100 up=5; 3 standing 118/75 %d up=3", 100+rise))
			c.stay.BirthDate = fmt.Sprintf("%d-01-01", noon.Year()-age)
			s := c.set()
			if s.Meets(CritPulse) != (rise >= threshold) || s.Meets(CritNotable) != (rise >= 20) || s.Finding != Negative {
				t.Errorf("aged %d, 100 to %d: %s, %v", age, 100+rise, s.Finding, s.Criteria)
			}
		}
	}
}

// Neurogenic supine hypertension, at least 140 or 90: Fanciulli 2018, Clin Auton
// Res 28:355 (seen); mild 140-159/90-99, moderate 160-179/100-109, severe from
// 180/110 (from memory). The higher of the two counts. A fall of 30 is the
// consensus's stricter figure there (Freeman 2011, seen in PMC3764319); the
// review that asks for more than 160 lying is not followed: any grade will do.
func TestEveryPairAroundTheGradesOfSupineHypertension(t *testing.T) {
	around := func(bounds ...float64) (out []float64) {
		for _, b := range bounds {
			out = append(out, b-1, b, b+1)
		}
		return out
	}
	grade := func(v, mild float64, step float64) int {
		switch {
		case v < mild:
			return 0
		case v < mild+step:
			return 1
		case v < mild+2*step:
			return 2
		}
		return 3
	}
	words := []Word{UsualLying, MildSupine, ModerateSupine, SevereSupine}
	for _, systolic := range around(90, 140, 160, 180) {
		for _, diastolic := range around(60, 90, 100, 110) {
			if diastolic >= systolic {
				continue // not a pressure that is believed
			}
			g := max(grade(systolic, 140, 20), grade(diastolic, 90, 10))
			want := words[g]
			if g == 0 && systolic < 90 {
				want = LowLying
			}
			for _, drop := range []float64{29, 30, 31} {
				s := setOf(t, fmt.Sprintf("0 lying %v/%v up=5; 3 standing %v/40 up=3", systolic, diastolic, systolic-drop))
				if s.LyingPressure != want || s.Meets(CritSupine) != (g > 0 && drop >= 30) {
					t.Errorf("lying %v/%v, drop %v: %q, criteria %v, want %q", systolic, diastolic, drop, s.LyingPressure, s.Criteria, want)
				}
			}
		}
	}
	// Supine hypotension under 95 in blood loss is McGee's (from memory); the
	// program's "low" is under 90.
	if s := setOf(t, "0 lying 94/60 up=5; 3 standing 94/60 up=3"); s.LyingPressure != UsualLying || s.Finding != Negative {
		t.Errorf("lying 94: %q, %s", s.LyingPressure, s.Finding)
	}
}

// stand is a lying and a standing pressure, with or without symptoms.
type stand struct {
	lying, lyingDiastolic, standing, standingDiastolic float64
	symptoms                                           bool
}

func (m stand) set(t *testing.T) Set {
	t.Helper()
	spec := fmt.Sprintf("0 lying %v/%v up=5; 3 standing %v/%v up=3", m.lying, m.lyingDiastolic, m.standing, m.standingDiastolic)
	if m.symptoms {
		spec += " sym=dizziness"
	}
	return setOf(t, spec)
}

// Definitions in the words of their publications.
var definitions = map[string]func(stand) bool{
	// Freeman 2011 (seen in papers that cite it).
	"consensus": func(m stand) bool {
		return m.lying-m.standing >= 20 || m.lyingDiastolic-m.standingDiastolic >= 10
	},
	// Brignole 2018 (seen through a review; its text from memory).
	"ESC": func(m stand) bool {
		return m.lying-m.standing >= 20 || m.lyingDiastolic-m.standingDiastolic >= 10 || m.standing < 90
	},
	// RCP 2017 (from memory): a diastolic fall counts with symptoms only.
	"RCP": func(m stand) bool {
		return m.lying-m.standing >= 20 || m.standing < 90 || m.symptoms && m.lyingDiastolic-m.standingDiastolic >= 10
	},
	// NICE NG136 (seen, nice.org.uk consultation 2003/2): no diastolic criterion in it.
	"NG136": func(m stand) bool { return m.lying-m.standing >= 20 },
	// CDC STEADI (seen in adaptations only): abnormal, symptoms alone included.
	"STEADI": func(m stand) bool {
		return m.lying-m.standing >= 20 || m.lyingDiastolic-m.standingDiastolic >= 10 || m.symptoms
	},
}

// From a lying systolic of 90 on the program is positive exactly where the
// consensus or ESC is, and so misses nothing that RCP or NG136 calls positive;
// what only STEADI calls abnormal is symptoms_only. It never says negative where
// one of the five says positive.
func TestNothingThatAPublishedDefinitionCallsPositiveIsNegativeHere(t *testing.T) {
	for _, lying := range []float64{90, 95, 109, 110, 139, 165} {
		for _, drop := range []float64{-21, 0, 1, 5, 6, 10, 19, 20, 21, 30} {
			for _, diastolic := range []float64{-5, 0, 9, 10, 11} {
				for _, symptoms := range []bool{false, true} {
					m := stand{lying, 45, lying - drop, 45 - diastolic, symptoms}
					want := Negative
					switch {
					case definitions["consensus"](m) || definitions["ESC"](m):
						want = Positive
					case symptoms:
						want = SymptomsOnly
					}
					got := m.set(t).Finding
					if got != want {
						t.Errorf("%+v: %s, want %s", m, got, want)
					}
					for name, positive := range definitions {
						if positive(m) && got == Negative {
							t.Errorf("%+v: negative, and positive by %s", m, name)
						}
						if (name == "RCP" || name == "NG136") && positive(m) && got != Positive {
							t.Errorf("%+v: %s, and positive by %s", m, got, name)
						}
					}
				}
			}
		}
	}
}

// Where the definitions part, and what the program says there.
func TestWhereThePublishedDefinitionsPart(t *testing.T) {
	cases := []struct {
		name      string
		m         stand
		positive  string // by which definitions, in alphabetical order
		finding   string
		criterion string
	}{
		{"diastolic only, no symptoms: the consensus stands, RCP and NG136 do not count it",
			stand{140, 80, 138, 70, false}, "ESC STEADI consensus", Positive, CritDiastolic},
		{"diastolic only, with symptoms: NG136 alone does not",
			stand{140, 80, 138, 70, true}, "ESC RCP STEADI consensus", Positive, CritDiastolic},
		{"standing 89 after a fall of 11: not by the consensus of 2011",
			stand{100, 60, 89, 60, false}, "ESC RCP", Positive, CritLow},
		{"standing 85 from 89, low already: the program says that it cannot tell",
			stand{89, 50, 85, 50, false}, "ESC RCP", Inconclusive, ""},
		{"dizzy without a fall: abnormal by STEADI alone",
			stand{140, 80, 138, 78, true}, "STEADI", SymptomsOnly, ""},
		{"a fall of 25 from 165: positive by all, though 30 may suit supine hypertension better (Freeman 2011)",
			stand{165, 80, 140, 78, false}, "ESC NG136 RCP STEADI consensus", Positive, CritSystolic},
		{"orthostatic hypertension, a rise of 21 to 146 (Palatini 2024, seen): no rule of the program",
			stand{125, 75, 146, 80, false}, "", Negative, ""},
	}
	for _, c := range cases {
		var by []string
		for _, name := range []string{"ESC", "NG136", "RCP", "STEADI", "consensus"} {
			if definitions[name](c.m) {
				by = append(by, name)
			}
		}
		wantWords(t, c.name+": positive by", by, strings.ReplaceAll(c.positive, " ", ", "))
		s := c.m.set(t)
		if s.Finding != c.finding {
			t.Errorf("%s: %s, want %s", c.name, s.Finding, c.finding)
		}
		wantWords(t, c.name+": criteria", s.Criteria, c.criterion)
	}
}

// posturalTest is one published stand: resting and highest pulse, and how long the
// patient stood where the test failed (minutes; 0: not given).
type posturalTest struct {
	id           string
	age          int
	rest, stood  int
	minutes      float64
	failed, pots bool
}

// P9 to P17, Circ Rep 2023 (seen, PMC9908528): POTS there is a rise of 30 or a
// pulse of about 120; a failed test is one that the patient could not finish.
var posturalTests = []posturalTest{
	{"P9", 40, 79, 113, 0, false, true}, {"P9", 40, 81, 115, 0, false, true}, {"P9", 40, 72, 102, 0, false, true},
	{"P9", 40, 63, 104, 0, false, true}, {"P9", 40, 76, 114, 0, false, true}, {"P9", 40, 76, 105, 0, false, false},
	{"P9", 40, 83, 109, 2, true, false}, {"P9", 40, 73, 100, 8.3, true, false},
	{"P10", 21, 73, 110, 0, false, true}, {"P10", 21, 67, 86, 0, false, false}, {"P10", 21, 58, 76, 0, false, false},
	{"P10", 21, 59, 83, 0, false, false}, {"P10", 21, 60, 82, 0, false, false}, {"P10", 21, 58, 85, 0, false, false},
	{"P10", 21, 64, 77, 1, true, false}, {"P10", 21, 78, 98, 7, true, false}, {"P10", 21, 62, 89, 7.5, true, false},
	{"P10", 21, 69, 98, 3, true, false},
	{"P11", 46, 71, 105, 0, false, true}, {"P11", 46, 71, 99, 0, false, false}, {"P11", 46, 62, 87, 0, false, false},
	{"P11", 46, 62, 81, 0, false, false},
	{"P12", 28, 83, 116, 0, false, true}, {"P12", 28, 69, 102, 0, false, true}, {"P12", 28, 91, 121, 0, false, true},
	{"P12", 28, 73, 100, 0, false, false}, {"P12", 28, 73, 99, 0, false, false}, {"P12", 28, 68, 91, 8, true, false},
	{"P12", 28, 69, 98, 0, true, false},
	{"P13", 32, 62, 92, 0, false, true}, {"P13", 32, 69, 104, 0, false, true}, {"P13", 32, 71, 98, 0, false, false},
	{"P13", 32, 66, 90, 0, false, false}, {"P13", 32, 63, 89, 0, false, false},
	{"P14", 33, 45, 93, 0, false, true}, {"P14", 33, 45, 84, 0, false, true}, {"P14", 33, 64, 102, 0, false, true},
	{"P14", 33, 49, 91, 0, false, true}, {"P14", 33, 50, 81, 0, false, true}, {"P14", 33, 53, 83, 8, true, true},
	{"P14", 33, 40, 62, 0, false, false}, {"P14", 33, 46, 73, 0, false, false}, {"P14", 33, 52, 78, 0, false, false},
	{"P15", 25, 65, 97, 0, false, true}, {"P15", 25, 75, 108, 0, false, true}, {"P15", 25, 92, 120, 0, false, true},
	{"P15", 25, 83, 107, 0, false, false}, {"P15", 25, 86, 108, 6, true, false}, {"P15", 25, 79, 120, 7, true, false},
	{"P16", 21, 98, 121, 0, false, true}, {"P16", 21, 78, 112, 0, false, true}, {"P16", 21, 93, 112, 0, false, false},
	{"P16", 21, 81, 96, 0, false, false}, {"P16", 21, 101, 126, 0, true, false},
	{"P17", 22, 58, 92, 0, false, true}, {"P17", 22, 69, 106, 0, true, false},
}

func (p posturalTest) String() string { return fmt.Sprintf("%s %d>%d", p.id, p.rest, p.stood) }

// set charts the test with a pressure that does not move, and words at its end.
func (p posturalTest) set(t *testing.T, words string) Set {
	t.Helper()
	minutes := p.minutes
	if minutes == 0 {
		minutes = 5 // ten-minute tests whose highest pulse has no time: any minute in range will do
	}
	c := newChart(t).readings(fmt.Sprintf("0 lying 120/75 %d up=5; %v standing 118/75 %d up=%v %s", p.rest, minutes, p.stood, minutes, words))
	c.stay.BirthDate = fmt.Sprintf("%d-01-01", noon.Year()-p.age)
	return c.set()
}

// The program's pulse criterion against the published class of every test. It
// differs in four, all explained: two are POTS there by a pulse of 120, which is no
// criterion here (an older variant, Europace 2009;11:18), and two failed tests have
// their rise of 30 or more, and no class.
func TestWhereThePulseCriterionDiffersFromThePublishedClass(t *testing.T) {
	var differ []string
	for _, p := range posturalTests {
		if s := p.set(t, ""); s.Meets(CritPulse) != p.pots {
			differ = append(differ, p.String())
		}
	}
	wantWords(t, "differing", differ, "P15 92>120, P15 79>120, P16 98>121, P17 69>106")
}

// A floor of 60 under the lying pulse (CMAJ 2022, seen) is not a rule of the
// program: it takes three of P14's published tests out, 45 to 84 (+24), 50 to 81
// (+21) and 53 to 83 (+23), and leaves 45 to 93 (+33).
func TestWhatAFloorUnderTheLyingPulseWouldChange(t *testing.T) {
	var taken []string
	for _, p := range posturalTests {
		s := p.set(t, "")
		if below := 60 - p.rest; s.Meets(CritPulse) && below > 0 && *s.PulseRise-float64(below) < 30 {
			taken = append(taken, p.String())
		}
	}
	wantWords(t, "taken out by a floor of 60", taken, "P14 45>84, P14 50>81, P14 53>83")
}

// A test that the patient could not finish has a published class in two of thirteen
// (P14 53 to 83, P15 86 to 108, by its pulse). Here it is positive where symptoms
// are charted (common practice, no source: who cannot stay up has answered the
// question), and tells nothing where none are.
func TestThePublishedFailedTests(t *testing.T) {
	failed := 0
	for _, p := range posturalTests {
		if !p.failed {
			continue
		}
		failed++
		if s := p.set(t, "stop sym=lightheadedness"); s.Finding != Positive || !s.Meets(CritStopped) || !s.StoppedEarly {
			t.Errorf("%s with symptoms: %s, %v", p, s.Finding, s.Criteria)
		}
		if s := p.set(t, "stop"); s.Finding != Inconclusive || s.Meets(CritStopped) || !has(s.QualityNotes, NoteStoppedEarly) {
			t.Errorf("%s without: %s, %v, notes %v", p, s.Finding, s.Criteria, s.QualityNotes)
		}
	}
	if failed != 13 {
		t.Errorf("%d failed tests, the paper marks 13", failed)
	}
}

// The verdict of each worked case of a publication beside the program's finding.
// Figures and criteria of each stand in cases_test.go.
func TestWhereTheFindingDiffersFromAPublishedLabel(t *testing.T) {
	cases := []struct {
		name, readings string
		orthostatic    bool // as published: of P1 to P3 by the paper's criterion
	}{
		{"P1", "0 lying 140/82 80 up=5; 3 standing 132/86 115 up=3", false}, // hypovolemia by its pulse
		{"P2", "0 lying 160/84 80 up=5; 3 standing 134/72 88 up=3", true},
		{"P3", "0 lying 154/90 75 up=5; 3 standing 130/76 90 up=3", true},
		{"P4", "0 lying 128/64 up=5; 3 standing 84/44 up=3", true},
		{"P5", "0 sitting 170/74 up=5; 3 standing 110/70 up=3", true},
		{"P6", "0 lying 126/84 76 up=5; 3 standing 122/80 114 up=3", false}, // POTS
		{"P7", "0 lying 154/80 up=5; 3 standing 120/80 up=3", true},         // readings made up to the published drop of 34
		{"P8", "0 lying 160/80 70 up=5; 3 standing 93/80 83 up=3", true},    // made up to the group means -67 and +13
		{"T4", "0 lying 125/84 118 up=5; 3 standing 110/80 145 up=3", true}, // a teaching item's label, unverified
	}
	var differ []string
	for _, c := range cases {
		if s := setOf(t, c.readings); (s.Finding == Positive) != c.orthostatic {
			differ = append(differ, c.name)
		}
	}
	// T4 falls by 15 and 4: neither 20 nor 10, and 110 is no low pressure. The rise
	// of 27 is 23 % of 118, and named.
	wantWords(t, "differing", differ, "T4")
}

// Norcliffe-Kaufmann 2018, Ann Neurol 83:522 (seen): a cut-off of 0.492 per mmHg,
// 0.5 in later use (seen, PMC7029426), and that is the program's. Between the two
// the program says blunted. The paper's other cut-off, a rise under 17, is not used.
func TestThePulseRatioAroundItsTwoCutOffs(t *testing.T) {
	for _, c := range []struct {
		rise float64
		want Word
	}{
		{19.6, Blunted},               // 0.49: blunted by both
		{19.7, Blunted},               // 0.4925: not by 0.492
		{19.99, Blunted}, {20, Brisk}, // 0.49975 and 0.5
		{-1, Falling}, // a pulse that falls fits neither pattern
	} {
		s := setOf(t, fmt.Sprintf("0 lying 140/80 70 up=5; 3 standing 100/70 %v up=3", 70+c.rise))
		if s.PulseResponse != c.want {
			t.Errorf("a rise of %v over a drop of 40: %q, want %q", c.rise, s.PulseResponse, c.want)
		}
	}
	if s := setOf(t, "0 lying 140/80 70 up=5; 3 standing 120/80 86 up=3"); s.PulseResponse != Brisk {
		t.Errorf("a rise of 16 over a drop of 20: %q", s.PulseResponse)
	}
	// Without a systolic fall of 20 there is no ratio, however positive (reasoning).
	for _, standing := range []string{"121/60 75", "140/65 75", "150/65 75"} {
		s := setOf(t, "0 lying 140/80 70 up=5; 3 standing "+standing+" up=3")
		if s.Finding != Positive || s.PulseRatio != nil || s.PulseResponse != "" {
			t.Errorf("standing %s: %s, ratio %s, %q", standing, s.Finding, show(s.PulseRatio), s.PulseResponse)
		}
	}
}

// What healthy people do is no finding. Lying to standing: pulse +10.9, systolic
// -3.5, diastolic +5.2 (McGee 1999, seen in a secondary source). Sitting to
// standing: pulse +5.3, systolic -1.2 (Witting 2003, seen, PMID 12563580).
func TestThePublishedMeansOfHealthyPeopleAreNegative(t *testing.T) {
	for _, spec := range []string{
		"0 lying 120/75 70 up=5; 1 standing 116.5/80.2 80.9 up=1",
		"0 sitting 120/75 70 up=5; 1 standing 118.8/75 75.3 up=1",
	} {
		if s := setOf(t, spec); s.Finding != Negative || len(s.Criteria) > 0 {
			t.Errorf("%s: %s by %v", spec, s.Finding, s.Criteria)
		}
	}
}

// Lower thresholds on sitting up for patients with known autonomic disease (18 and
// 8 for severe orthostatic hypotension, PMC4751507, seen) are not followed: such a
// set has not tested standing.
func TestSittingUpHasNoThresholdsOfItsOwn(t *testing.T) {
	if s := setOf(t, "0 lying 140/80 up=5; 3 sitting 122/72 up=3"); s.Finding != Inconclusive || len(s.Criteria) > 0 {
		t.Errorf("%s by %v", s.Finding, s.Criteria)
	}
}

// Published techniques. Rest: 2 min (McGee 1999, from memory), at least 3 and
// better 5 (AHRQ Tool 3F, seen in a copy), 5 (STEADI and RCP 2017, seen in
// secondary sources; AFP 2022;105:39, seen). Five minutes lying is common practice,
// and under it the absence of a drop proves nothing; a drop does.
func TestRestOfFiveMinutesIsAskedFor(t *testing.T) {
	for rest, want := range map[string]string{
		"2": Inconclusive, "3": Inconclusive, "4.99": Inconclusive, "5": Negative, "5.01": Negative, "10": Negative,
	} {
		if s := setOf(t, "0 lying 140/80 70 up="+rest+"; 3 standing 132/86 75 up=3"); s.Finding != want {
			t.Errorf("%s min lying: %s, want %s", rest, s.Finding, want)
		}
		if s := setOf(t, "0 lying 140/80 70 up="+rest+"; 3 standing 120/80 75 up=3"); s.Finding != Positive {
			t.Errorf("%s min lying, a drop of 20: %s", rest, s.Finding)
		}
	}
	// P1 as McGee's technique takes it: the pulse is named, the pressure is not cleared.
	if s := setOf(t, "0 lying 140/82 80 up=2; 1 standing 132/86 115 up=1"); s.Finding != Inconclusive || !s.Meets(CritPulse) {
		t.Errorf("P1 after 2 min: %s by %v", s.Finding, s.Criteria)
	}
}

// A single standing reading at two to five minutes is accepted (common practice, no
// source; published protocols measure at 1 and 3 min). One at ten minutes alone
// clears nothing, and a drop there is delayed: beyond 3 min, Gibbons and Freeman
// 2006 (seen, pubmed 16832073).
func TestAStandingReadingAtTwoToFiveMinutesIsAccepted(t *testing.T) {
	for minutes, want := range map[string]string{
		"0.4": Inconclusive, "0.5": Negative, "1": Negative, "2": Negative, "3": Negative, "4": Negative, "5": Negative,
		"5.5": Negative, "5.6": Inconclusive, "10": Inconclusive,
	} {
		s := setOf(t, "0 lying 140/80 70 up=5; 10 standing 138/80 75 up="+minutes)
		if s.Finding != want {
			t.Errorf("standing at %s min: %s, want %s", minutes, s.Finding, want)
		}
	}
	for minutes, want := range map[string]Word{"1": Classic, "3": Classic, "3.5": Classic, "3.6": Delayed, "5": Delayed, "10": Delayed} {
		s := setOf(t, "0 lying 140/80 70 up=5; 10 standing 118/80 75 up="+minutes)
		if s.Finding != Positive || s.Timing != want {
			t.Errorf("a drop at %s min: %s, %q, want %q", minutes, s.Finding, s.Timing, want)
		}
	}
}

// The initial form falls by more than 40 or 20 within 15 s (Freeman 2011, seen in
// iospress jpd240149) and is over within about 40 s (from memory). A cuff that is
// charted to the half minute can only say "possible", at 15 s as at 30.
func TestTheInitialFormIsOnlyEverPossible(t *testing.T) {
	for first, want := range map[string]Word{"99/80 up=0.25": PossibleInitial, "99/80 up=0.5": PossibleInitial, "100/80 up=0.25": Classic} {
		s := setOf(t, "0 lying 140/80 up=5; 1 standing "+first+"; 3 standing 138/80 up=3")
		if s.Finding != Positive || s.Timing != want || s.Sustained != "no" {
			t.Errorf("%s: %s, %q, sustained %q", first, s.Finding, s.Timing, s.Sustained)
		}
	}
}

// A pulse that goes from 100 to 120 is worth noting (common practice, no source):
// exactly 20 %, and no more than noted. A patient who cannot stay up is a finding by
// itself, without any upright pressure (common practice, no source).
func TestCommonPracticeOnPulseAndOnWhoCannotStayUp(t *testing.T) {
	for pulse, notable := range map[string]bool{"119": false, "120": true, "121": true} {
		s := setOf(t, "0 lying 120/80 100 up=5; 3 standing 118/80 "+pulse+" up=3")
		if s.Meets(CritNotable) != notable || s.Meets(CritPulse) || s.Finding != Negative {
			t.Errorf("100 to %s: %s by %v", pulse, s.Finding, s.Criteria)
		}
	}
	for _, spec := range []string{
		"0 lying 120/80 70 up=5; 1 standing -/- 95 stop sym=faintness", // on the feet, no pressure taken
		"0 lying 120/80 70 up=5; 1 sitting -/- - stop sym=dizziness",   // no further than the edge of the bed
		"0 lying 120/80 70 up=5 stop sym=dizziness",                    // not even that
	} {
		s := setOf(t, spec)
		if s.Finding != Positive || s.SystolicDrop != nil || !s.Interpretable() {
			t.Errorf("%s: %s, drop %s", spec, s.Finding, show(s.SystolicDrop))
		}
		if len(s.Criteria) == 0 || s.Criteria[0] != CritStopped {
			t.Errorf("%s: criteria %v", spec, s.Criteria)
		}
	}
}
