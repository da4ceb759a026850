package policy

import (
	"bytes"
	"errors"
	"io"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"plumbline/internal/clinical"
)

func mustLoad(t *testing.T, file string) Loaded {
	t.Helper()
	l, err := Load([]byte(file))
	if err != nil {
		t.Fatalf("Load(%q): %v", file, err)
	}
	return l
}

func TestDefaultFileIsDefaultPolicy(t *testing.T) {
	l := mustLoad(t, defaultYAML)
	if !reflect.DeepEqual(l, Default()) {
		t.Errorf("default.yaml = %+v\nwant %+v", l.Policy, clinical.DefaultPolicy())
	}
	// The policy must also come out of a plain yaml decode, by its tags.
	var p clinical.Policy
	if err := yaml.Unmarshal([]byte(defaultYAML), &p); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(p, clinical.DefaultPolicy()) {
		t.Errorf("decoded default.yaml = %+v", p)
	}
}

func TestTableCoversPolicy(t *testing.T) {
	var p clinical.Policy
	at := fields(&p)
	kinds := map[kind]reflect.Kind{
		number: reflect.Float64, whole: reflect.Int, choice: reflect.String,
		list: reflect.Slice, yesNo: reflect.Bool, clock: reflect.String,
	}
	if len(at) != len(keys) {
		t.Errorf("Policy has %d leaves, the table %d keys", len(at), len(keys))
	}
	for _, k := range keys {
		field, ok := at[k.path]
		switch {
		case !ok:
			t.Errorf("%s is no leaf of Policy", k.path)
		case field.Kind() != kinds[k.kind]:
			t.Errorf("%s is a %s", k.path, field.Kind())
		case (k.kind == number || k.kind == whole) != (k.min < k.max):
			t.Errorf("%s: range %v to %v", k.path, k.min, k.max)
		case k.kind == choice && len(k.choices) == 0:
			t.Errorf("%s has no choices", k.path)
		}
		delete(at, k.path)
	}
	for path := range at {
		t.Errorf("%s is missing from the table", path)
	}
}

var (
	rangeOf  = regexp.MustCompile(`Range: (.*)\.$`)
	sourceOf = regexp.MustCompile(`Source: \S`)
)

// comments maps each leaf of default.yaml to its comment on one line, and
// lists the leaves in order.
func comments(t *testing.T) (comment map[string]string, order []string) {
	t.Helper()
	var document yaml.Node
	if err := yaml.Unmarshal([]byte(defaultYAML), &document); err != nil {
		t.Fatal(err)
	}
	comment = map[string]string{}
	for _, section := range mapping(document.Content[0]) {
		for _, leaf := range mapping(section[1]) {
			path := section[0].Value + "." + leaf[0].Value
			order = append(order, path)
			comment[path] = strings.Join(strings.Fields(strings.ReplaceAll(leaf[0].HeadComment, "#", " ")), " ")
		}
	}
	return comment, order
}

func mapping(n *yaml.Node) (pairs [][2]*yaml.Node) {
	for i := 0; i < len(n.Content); i += 2 {
		pairs = append(pairs, [2]*yaml.Node{n.Content[i], n.Content[i+1]})
	}
	return pairs
}

func TestDefaultFileExplainsEveryKey(t *testing.T) {
	comment, order := comments(t)
	var want []string
	for _, k := range keys {
		want = append(want, k.path)
		c := comment[k.path]
		found := rangeOf.FindStringSubmatch(c)
		switch {
		case found == nil:
			t.Errorf("%s: no range in %q", k.path, c)
		case found[1] != k.allowed():
			t.Errorf("%s: default.yaml says %q, the table %q", k.path, found[1], k.allowed())
		}
		if !sourceOf.MatchString(c) || strings.Index(c, "Source:") < 20 {
			t.Errorf("%s: no words or no source in %q", k.path, c)
		}
	}
	if !slices.Equal(order, want) {
		t.Errorf("keys of default.yaml\n%v\nwant\n%v", order, want)
	}
	for _, s := range []string{"informs licensed staff", "orders nothing", "Local policy"} {
		if !strings.Contains(defaultYAML[:400], s) {
			t.Errorf("the top comment does not say %q", s)
		}
	}
	for i, line := range strings.Split(defaultYAML, "\n") {
		if strings.HasPrefix(strings.TrimSpace(line), "#") && len(line) > 80 || strings.ContainsAny(line, "\t\r") {
			t.Errorf("line %d: %q", i+1, line)
		}
	}
}

func TestDefaultsAreInRange(t *testing.T) {
	p := clinical.DefaultPolicy()
	at := fields(&p)
	for _, k := range keys {
		var n yaml.Node
		if err := yaml.Unmarshal([]byte(k.text(at[k.path])), &n); err != nil {
			t.Fatal(err)
		}
		if got, wrong := k.read(n.Content[0]); wrong != nil || !reflect.DeepEqual(got, at[k.path].Interface()) {
			t.Errorf("%s: read %v, %v", k.path, got, wrong)
		}
	}
}

func TestLoadNothingIsDefault(t *testing.T) {
	for _, file := range []string{"", "\n", "# all as it is\n", "---\n", "{}\n", "null", "\ufeff", "recheck:\n  # fall_hours: 2\nsets: {}\n"} {
		if l := mustLoad(t, file); !reflect.DeepEqual(l, Default()) {
			t.Errorf("Load(%q) = %+v", file, l)
		}
	}
}

func TestLoadValues(t *testing.T) {
	tests := []struct {
		file string
		set  func(*clinical.Policy)
	}{
		{"recheck:\n  positive_hours: 8\n", func(p *clinical.Policy) { p.Recheck.PositiveHours = 8 }},
		{"recheck: {fall_hours: 0.50}", func(p *clinical.Policy) { p.Recheck.FallHours = 0.5 }},
		{"recheck: {at_risk_age: 70.0}", func(p *clinical.Policy) { p.Recheck.AtRiskAge = 70 }},
		{"causes:\r\n  net_24h_ml: -800\r\n", func(p *clinical.Policy) { p.Causes.Net24hML = -800 }},
		{"tiers: {low_standing_min_drop: -0}", func(p *clinical.Policy) { p.Tiers.LowDrop = 0 }},
		{"sets: {comparison: more_than}", func(p *clinical.Policy) { p.Sets.Comparison = "more_than" }},
		{"precautions: {in_feed: no}", func(p *clinical.Policy) { p.Precautions.InFeed = false }},
		{"precautions: {in_feed: No}", func(p *clinical.Policy) { p.Precautions.InFeed = false }},
		{"precautions: {in_feed: false}", func(p *clinical.Policy) { p.Precautions.InFeed = false }},
		{"precautions: {in_feed: off}", func(p *clinical.Policy) { p.Precautions.InFeed = false }},
		{"precautions: {in_feed: yes}", func(*clinical.Policy) {}},
		{"precautions: {in_feed: true}", func(*clinical.Policy) {}},
		{"precautions:\n  bundle:\n  - gait belt\n  - sitter\n", func(p *clinical.Policy) { p.Precautions.Bundle = []string{"gait belt", "sitter"} }},
		{"precautions: {bundle: []}", func(p *clinical.Policy) { p.Precautions.Bundle = []string{} }},
		{"drugs: {of_no_concern: [Zinc, \"vitamin B: complex\"]}", func(p *clinical.Policy) { p.Drugs.OfNoConcern = []string{"Zinc", "vitamin B: complex"} }},
		{"unit: {huddle: 06:45, night_shift: \"23:59\", patient_days: hours}", func(p *clinical.Policy) {
			p.Unit.Huddle, p.Unit.NightShift, p.Unit.PatientDays = "06:45", "23:59", "hours"
		}},
	}
	for _, test := range tests {
		want := clinical.DefaultPolicy()
		test.set(&want)
		l := mustLoad(t, test.file)
		if !reflect.DeepEqual(l.Policy, want) {
			t.Errorf("Load(%q) = %+v", test.file, l.Policy)
		}
		if changed := l.Hash != Default().Hash; changed == reflect.DeepEqual(want, clinical.DefaultPolicy()) {
			t.Errorf("Load(%q): hash changed: %v", test.file, changed)
		}
	}
}

func TestLoadProblems(t *testing.T) {
	const hours = "(allowed: 0.5 to 336 h)"
	tests := []struct{ file, want string }{
		{"recheck:\n  positive_hours: 500\n", `line 2: recheck.positive_hours: "500": out of range ` + hours},
		{"recheck: {fall_hours: 0.4}", `line 1: recheck.fall_hours: "0.4": out of range ` + hours},
		{"recheck: {fall_hours: -4}", `line 1: recheck.fall_hours: "-4": out of range ` + hours},
		{"recheck: {fall_hours: " + strings.Repeat("9", 400) + "}",
			`line 1: recheck.fall_hours: "` + strings.Repeat("9", 77) + `...": out of range ` + hours},
		{"recheck: {fall_hours: four}", `line 1: recheck.fall_hours: "four": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: '4'}", `line 1: recheck.fall_hours: "4": text, not a number: take the quotes off ` + hours},
		{"recheck: {fall_hours: !!str 4}", `line 1: recheck.fall_hours: "4": text, not a number: take the quotes off ` + hours},
		{"recheck: {fall_hours: 012}", `line 1: recheck.fall_hours: "012": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: 0x10}", `line 1: recheck.fall_hours: "0x10": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: 1_2}", `line 1: recheck.fall_hours: "1_2": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: .nan}", `line 1: recheck.fall_hours: ".nan": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: .inf}", `line 1: recheck.fall_hours: ".inf": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: 4 h}", `line 1: recheck.fall_hours: "4 h": not a plain number: leave out all but the number ` + hours},
		{"recheck: {fall_hours: yes}", `line 1: recheck.fall_hours: "yes": not a plain number such as 12 or 0.5 ` + hours},
		{"recheck: {fall_hours: [4]}", `line 1: recheck.fall_hours: "[4]": not a single value ` + hours},
		{"recheck: {fall_hours: {h: 4}}", `line 1: recheck.fall_hours: "{...}": not a single value ` + hours},
		{"recheck:\n  fall_hours:\n", `line 2: recheck.fall_hours: no value: take the line out to keep the default ` + hours},
		{"recheck: {at_risk_age: 64.5}", `line 1: recheck.at_risk_age: "64.5": not a whole number (allowed: a whole number, 18 to 120 years)`},
		{"sets: {comparison: at least}", `line 1: sets.comparison: "at least": not a known word; did you mean at_least? (allowed: at_least or more_than)`},
		{"precautions: {in_feed: maybe}", `line 1: precautions.in_feed: "maybe": not yes or no (allowed: yes or no)`},
		{"precautions: {in_feed: 0}", `line 1: precautions.in_feed: "0": not yes or no (allowed: yes or no)`},
		{"unit: {huddle: 7:00}", `line 1: unit.huddle: "7:00": not a time of day (allowed: a time HH:MM, 00:00 to 23:59)`},
		{"unit: {huddle: \"24:00\"}", `line 1: unit.huddle: "24:00": not a time of day (allowed: a time HH:MM, 00:00 to 23:59)`},
		{"drugs: {of_no_concern: zinc}", "line 1: drugs.of_no_concern: \"zinc\": not a list: write [a, b] or one `- a` a line (allowed: a list of up to 200 names)"},
		{"drugs: {of_no_concern: [zinc, 5]}", `line 1: drugs.of_no_concern: "5": not text: put it in quotes if it is a name (allowed: a list of up to 200 names)`},
		{"drugs: {of_no_concern: [zinc, zinc]}", `line 1: drugs.of_no_concern: "zinc": stands twice in the list: take one out (allowed: a list of up to 200 names)`},
		{"drugs: {of_no_concern: [\"a\\nb\"]}", `line 1: drugs.of_no_concern: "a\nb": no name: 1 to 100 characters on one line, no space around it (allowed: a list of up to 200 names)`},
		{"drugs: {of_no_concern: [\" \"]}", `line 1: drugs.of_no_concern: " ": no name: 1 to 100 characters on one line, no space around it (allowed: a list of up to 200 names)`},

		{"recheck: {fall_hours: \"4,5\"}", `line 1: recheck.fall_hours: "4,5": not a plain number: write the decimals after a point ` + hours},
		{"recheck: {fall_hours: 40%}", `line 1: recheck.fall_hours: "40%": not a plain number: leave out all but the number ` + hours},
		{"recheck: {fall_hours: 1e2}", `line 1: recheck.fall_hours: "1e2": not a plain number such as 12 or 0.5 ` + hours},
		{"unit: {huddle: noon}", `line 1: unit.huddle: "noon": not a time of day (allowed: a time HH:MM, 00:00 to 23:59)`},
		{"sets:\n  comparison: more-then\n", `line 2: sets.comparison: "more-then": not a known word; did you mean more_than? (allowed: at_least or more_than)`},

		{"recheck:\n  fal_hours: 4\n", `line 2: recheck.fal_hours: "4": unknown key; did you mean recheck.fall_hours?`},
		{"rechek:\n  fall_hours: 4\n", `line 1: rechek: "{...}": unknown key; did you mean recheck?`},
		{"serial:\n  fall_houres: 4\n", `line 2: serial.fall_houres: "4": unknown key; did you mean recheck.fall_hours?`},
		{"fal_hours: 4\n", `line 1: fal_hours: "4": unknown key; did you mean recheck.fall_hours?`},
		{"tiers:\n  Gap-Hours: 4\n", `line 2: tiers.Gap-Hours: "4": unknown key; did you mean tiers.gap_hours?`},
		{"dose_review:\n  peak_fro_hours: 2\n", `line 2: dose_review.peak_fro_hours: "2": unknown key; did you mean dose_review.peak_from_hours?`},
		{"recheck: {positiv_hour: 8}", `line 1: recheck.positiv_hour: "8": unknown key; did you mean recheck.positive_hours?`},
		{"colour: red", "line 1: colour: \"red\": unknown key; `dashboard policy print` shows every key"},
		{"comparison: more", `line 1: sets.comparison: "more": not a known word (allowed: at_least or more_than)`},
		{"comparison: more_than\nsets: {comparison: at_least}", `line 2: sets.comparison: "at_least": stands twice, first on line 1: take one out`},
		{"positive_hours: 8", `line 1: positive_hours: "8": unknown key; did you mean recheck.positive_hours or dose_review.positive_hours?`},
		{"recheck.fall_hours: 8", `line 1: recheck.fall_hours: "8": unknown key; write it as a key inside its section, not with a dot`},
		{"fluid: {cover: 8}", `line 1: fluid.cover: "8": unknown key; known here: fluid.coverage_percent`},
		{"<<: *x", "line 1: \"<<: *x\": not readable as YAML (unknown anchor 'x' referenced): write one key a line, as `key: value`, all keys of a section indented alike"},
		{"fluid: &f\n  <<: {}\n", `line 2: fluid.<<: "{...}": unknown key; known here: fluid.coverage_percent`},
		{"recheck: {fall_hours: &h 4, stopped_hours: *h}", `line 1: recheck.stopped_hours: "*h": not a single value ` + hours},
		{"recheck:\n  fall_hours: 4\n  fall_hours: 4\n", `line 3: recheck.fall_hours: "4": stands twice, first on line 2: take one out`},
		{"fluid: {}\nfluid: {}\n", `line 2: fluid: "{...}": stands twice, first on line 1: take one out`},
		{"fluid: 80", `line 1: fluid: "80": keys are expected here; known here: fluid.coverage_percent`},
		{"- fluid", "line 1: \"[fluid]\": keys are expected here; `dashboard policy print` shows every key"},
		{"? [a]\n: b", `line 1: "[a]": not a key`},
		{"fluid: {}\n---\nsets: {}\n", "line 3: a second document begins here: a policy file holds one"},

		{"plausible: {systolic_min: 100, systolic_max: 100}", `line 1: plausible.systolic_min: "100 mmHg": does not fit: plausible.systolic_min (100 mmHg) must be below plausible.systolic_max (100 mmHg)`},
		{"plausible: {diastolic_min: 80, diastolic_max: 80}", `line 1: plausible.diastolic_min: "80 mmHg": does not fit: plausible.diastolic_min (80 mmHg) must be below plausible.diastolic_max (80 mmHg)`},
		{"plausible: {pulse_min: 80, pulse_max: 80}", `line 1: plausible.pulse_min: "80 beats/min": does not fit: plausible.pulse_min (80 beats/min) must be below plausible.pulse_max (80 beats/min)`},
		{"sets: {standing_from_minutes: 4,\n  standing_to_minutes: 4}", `line 1: sets.standing_from_minutes: "4 min": does not fit: sets.standing_from_minutes (4 min) must be below sets.standing_to_minutes (4 min)`},
		{"sets:\n  standing_to_minutes: 2", `line 2: sets.standing_to_minutes: "2 min": does not fit: sets.clearing_stand_from_minutes (2 min, the default) must be below sets.standing_to_minutes (2 min)`},
		{"recheck: {treated_hours: 0.5}", `line 1: recheck.treated_hours: "0.5 h": does not fit: recheck.treated_met_from_minutes (30 min, the default) must be shorter than recheck.treated_hours (0.5 h)`},
		{"recheck: {drug_met_from_hours: 24}", `line 1: recheck.drug_met_from_hours: "24 h": does not fit: recheck.drug_met_from_hours (24 h) must be shorter than recheck.drug_hours (24 h, the default)`},
		{"recheck: {positive_hours: 36}", `line 1: recheck.positive_hours: "36 h": does not fit: recheck.positive_stable_hours (24 h, the default) must be at least recheck.positive_hours (36 h)`},
		{"recheck: {scheduled_soon_hours: 2}", `line 1: recheck.scheduled_soon_hours: "2 h": does not fit: recheck.scheduled_soon_hours (2 h) must be at least recheck.due_within_hours (4 h, the default)`},
		{"dose_review: {peak_from_hours: 4}", `line 1: dose_review.peak_from_hours: "4 h": does not fit: dose_review.peak_from_hours (4 h) must be below dose_review.peak_to_hours (4 h, the default)`},
		{"unit: {night_shift: \"07:00\"}", `line 1: unit.night_shift: "07:00": does not fit: unit.day_shift (07:00, the default) must differ from unit.night_shift (07:00)`},
	}
	for _, test := range tests {
		l, err := Load([]byte(test.file))
		var problems *Problems
		if !errors.As(err, &problems) || l.Hash != "" {
			t.Errorf("Load(%q) = %v, %v", test.file, l, err)
			continue
		}
		if len(problems.List) != 1 || SaidProblem(problems.List[0]) != test.want {
			t.Errorf("Load(%q)\n got %s\nwant %s", test.file, SaidError(err), test.want)
		}
		if clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("Load(%q): code %s", test.file, clinical.CodeOf(err))
		}
	}
}

func TestLoadUnknownPrecaution(t *testing.T) {
	_, err := Load([]byte("precautions:\n  bundle:\n    - sitter\n    - bed alarms\n"))
	if err == nil || !strings.Contains(SaidError(err), `line 4: precautions.bundle: "bed alarms": no known precaution; did you mean bed alarm? (allowed: a list of assisted rising,`) {
		t.Errorf("err = %v", err)
	}
}

func TestLoadNamesEveryWrongItemOfAList(t *testing.T) {
	r := Check([]byte("precautions:\n  bundle:\n    - sitter\n    - Sitter\n    - 5\n    - sitter\n"))
	var got []string
	for _, p := range r.Problems {
		said, _, _ := strings.Cut(SaidProblem(p), " (allowed")
		got = append(got, said)
	}
	want := []string{
		`line 4: precautions.bundle: "Sitter": no known precaution; did you mean sitter?`,
		`line 5: precautions.bundle: "5": not text: put it in quotes if it is a name`,
		`line 6: precautions.bundle: "sitter": stands twice in the list: take one out`,
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q", got)
	}
}

func TestNearest(t *testing.T) {
	words := []string{"fall_hours", "gap_hours", "map_hours", "at_risk_age"}
	for misspelt, want := range map[string][]string{
		"fall_hours": {"fall_hours"}, "fal_hour": {"fall_hours"}, "At Risk-Age": {"at_risk_age"}, "colour": nil, "": nil,
		"tap_hours": {"gap_hours", "map_hours"}, // a letter from either
	} {
		if got := nearest(misspelt, words); !slices.Equal(got, want) {
			t.Errorf("nearest(%q) = %q", misspelt, got)
		}
	}
	for _, d := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"abc", "", 3}, {"", "abc", 3}, {"kitten", "sitting", 3}, {"é", "e", 1}} { // kitten: the textbook case
		if got := distance(d.a, d.b); got != d.want {
			t.Errorf("distance(%q, %q) = %d", d.a, d.b, got)
		}
	}
}

func TestLoadListBounds(t *testing.T) {
	var names []string
	for i := range maxNames + 1 {
		names = append(names, "drug "+strings.Repeat("x", i/26)+string(rune('a'+i%26)))
	}
	file := func(names []string) string { return "drugs: {of_no_concern: [" + strings.Join(names, ", ") + "]}" }
	mustLoad(t, file(names[:maxNames]))
	if _, err := Load([]byte(file(names))); err == nil || !strings.Contains(SaidError(err), "has 201 names") {
		t.Errorf("err = %v", err)
	}
	mustLoad(t, file([]string{strings.Repeat("é", maxNameLength)}))
	if _, err := Load([]byte(file([]string{strings.Repeat("é", maxNameLength+1)}))); err == nil {
		t.Error("a name too long was taken")
	}
}

func TestLoadRangeEnds(t *testing.T) {
	for _, k := range keys {
		if k.kind != number && k.kind != whole {
			continue
		}
		for _, test := range []struct {
			value float64
			good  bool
		}{{k.min, true}, {k.max, true}, {k.min - 1, false}, {k.max + 1, false}} {
			var n yaml.Node
			if err := yaml.Unmarshal([]byte(plain(test.value)), &n); err != nil {
				t.Fatal(err)
			}
			if _, wrong := k.read(n.Content[0]); (wrong == nil) != test.good {
				t.Errorf("%s %v: %v", k.path, test.value, wrong)
			}
		}
	}
}

func TestLoadCollectsProblemsByLine(t *testing.T) {
	_, err := Load([]byte(`recheck:
  positive_hours: 36
  fall_hours: 999
dose_review:
  peak_from_hours: 5
  peak_to_hours: x
colour: red
tiers:
  gap_hours: "72"
`))
	want := `the policy cannot be used; correct the file and try again
line 2: recheck.positive_hours: "36 h": does not fit: recheck.positive_stable_hours (24 h, the default) must be at least recheck.positive_hours (36 h)
line 3: recheck.fall_hours: "999": out of range (allowed: 0.5 to 336 h)
line 6: dose_review.peak_to_hours: "x": not a plain number such as 12 or 0.5 (allowed: 0.5 to 24 h)
line 7: colour: "red": unknown key; ` + "`dashboard policy print` shows every key" + `
line 9: tiers.gap_hours: "72": text, not a number: take the quotes off (allowed: 1 to 336 h)`
	if err == nil || SaidError(err) != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
	var problems *Problems
	if errors.As(err, &problems) {
		allowed := Range{Kind: RangeNumber, Min: "0.5", Max: "336", Unit: "h"}
		want := Problem{Line: 3, Key: "recheck.fall_hours", Value: "999", Fault: Fault{ID: "out-of-range", Range: allowed}}
		if got := problems.List[1]; !reflect.DeepEqual(got, want) {
			t.Errorf("got %+v", got)
		}
	}
}

// The line named is the one on which what cannot be read begins.
func TestLoadUnreadable(t *testing.T) {
	long := strings.Repeat("# a comment\n", mostLines)
	for _, test := range []struct {
		file, do string
		line     int
	}{
		{"recheck: [", "close the bracket", 1},
		{"recheck: {fall_hours: 4\ntiers:\n  gap_hours: 24\n", "close the bracket", 1},
		{"recheck:\n\tfall_hours: 4\n", "indent with spaces, not with a tab", 2},
		{"recheck:\n  fall_hours: 4\n \tdrug_hours: 24\n", "indent with spaces, not with a tab", 3},
		{"recheck:\n  fall_hours: 4\n  : : :\n x: 'a\n", "write one key a line", 3},
		{"recheck:\n  fall_hours: 4\n fall: 3\n", "write one key a line", 3},
		{"recheck: fall_hours: 4\n", "write one key a line", 1},
		{"recheck:\n  fall_hours: \"4\n  drug_hours: 3\n", "close the quotes", 2},
		{"sets: {}\n--- 'x", "close the quotes", 2},
		{"sets: {}\n---\na: b\n c: d\n", "write one key a line", 4},
		{"a: \"\x01\"", "take the control characters out", 1},
		{strings.Repeat("[", 20_000), "close the bracket", 1},
		{long + "a: [\nb: 2\n", "a policy file needs only the keys that it changes", mostLines}, // as the parser has it
		{long + "a: \"\x01\"", "a policy file needs only the keys that it changes", 1},          // the parser names no line
	} {
		_, err := Load([]byte(test.file))
		var problems *Problems
		if !errors.As(err, &problems) {
			t.Errorf("Load(%.60q): %v", test.file, err)
			continue
		}
		got := problems.List[len(problems.List)-1]
		says := SaidProblem(got)
		if !strings.Contains(says, "not readable as YAML") || !strings.Contains(says, "): "+test.do) || got.Line != test.line {
			t.Errorf("Load(%.60q): %v", test.file, got)
		}
	}
}

// Quotes that nobody closes are read to the end of the file from wherever one begins;
// every beginning of this file together is 50 MB, and none of them is read twice.
func TestABrokenLineOfALongFileIsFoundWithinBounds(t *testing.T) {
	row := "# " + strings.Repeat("a", 22) + "\n"
	for _, at := range []int{1, 700, 1990} {
		file := strings.Repeat(row, at-1) + "recheck: \"4\n" + strings.Repeat(row, mostLines-1-at)
		lines, read := strings.SplitAfter(file, "\n"), 0
		if got := brokenLine(lines); got != at {
			t.Errorf("quotes opened on line %d are found on line %d", at, got)
		}
		brokenBelow(len(lines), func(n int) bool { read++; return n < at })
		if read > 11 { // 2^11 > 2,000 lines
			t.Errorf("%d beginnings were read", read)
		}
	}
}

func TestLoadRefusesWhatIsNoPolicyFile(t *testing.T) {
	for _, test := range []struct{ file, want string }{
		{"recheck:\n  fall_hours: 4 # caf\xe9\n", "line 2: not UTF-8: save the file as UTF-8"},
		{"# \ufffd is a character like any other\n\xff", "line 2: not UTF-8: save the file as UTF-8"},
		{"\xff\xfer\x00e\x00", "line 1: not UTF-8: save the file as UTF-8"},
		{strings.Repeat("#", longestFile+1), "line 1: too long: 262145 bytes, and a policy file holds at most 262144; is this the right file?"},
	} {
		r := Check([]byte(test.file))
		if len(r.Problems) != 1 || SaidProblem(r.Problems[0]) != test.want {
			t.Errorf("Check(%.40q) = %v", test.file, r.Problems)
		}
	}
	mustLoad(t, strings.Repeat("#", longestFile))
}

// A file with every list at its longest is far from too long.
func TestLongestFileHoldsTheLongestPolicy(t *testing.T) {
	p := clinical.DefaultPolicy()
	p.Drugs.OfNoConcern = nil
	for i := range maxNames {
		p.Drugs.OfNoConcern = append(p.Drugs.OfNoConcern, strings.Repeat("药", maxNameLength-3)+strconv.Itoa(100+i))
	}
	var out bytes.Buffer
	if err := Print(&out, p); err != nil {
		t.Fatal(err)
	}
	if 3*out.Len() > longestFile {
		t.Errorf("%d bytes", out.Len())
	}
	mustLoad(t, out.String())
}

func TestHash(t *testing.T) {
	if h := Default().Hash; len(h) != 64 || h != strings.ToLower(h) {
		t.Errorf("hash %q", h)
	}
	a := mustLoad(t, "recheck:\n  fall_hours: 2\n  drug_hours: 48 # slow\ntiers: {gap_hours: 24}\n")
	b := mustLoad(t, "# other words\n\ntiers:\n    gap_hours:   24.0\nrecheck: {drug_hours: 48, admit_hours: 24, fall_hours: 2}\n")
	if a.Hash != b.Hash {
		t.Error("layout changes the hash")
	}
	seen := map[string]string{Default().Hash: "default"}
	for _, k := range keys {
		p := clinical.DefaultPolicy()
		f := fields(&p)[k.path]
		switch v := f.Interface().(type) {
		case float64:
			f.SetFloat(v + 0.001)
		case int:
			f.SetInt(int64(v) + 1)
		case bool:
			f.SetBool(!v)
		case []string:
			f.Set(reflect.ValueOf(append(v, "sitter")))
		case string:
			f.SetString(v + "x")
		}
		h := loaded(p).Hash
		if other, ok := seen[h]; ok {
			t.Errorf("%s has the hash of %s", k.path, other)
		}
		seen[h] = k.path
	}
	one, two := clinical.DefaultPolicy(), clinical.DefaultPolicy()
	one.Drugs.OfNoConcern = []string{"a", "b"}
	two.Drugs.OfNoConcern = []string{`a", "b`}
	if loaded(one).Hash == loaded(two).Hash {
		t.Error("names run together in the hash")
	}
	one.Drugs.OfNoConcern = nil
	if loaded(one).Hash != Default().Hash {
		t.Error("an empty list and none differ in the hash")
	}
}

func TestDefaultIsFresh(t *testing.T) {
	Default().Policy.Precautions.Bundle[0] = "changed"
	if Default().Policy.Precautions.Bundle[0] == "changed" {
		t.Error("Default shares its lists")
	}
}

func TestPrintDefaultIsDefaultFile(t *testing.T) {
	var out strings.Builder
	if err := Print(&out, clinical.DefaultPolicy()); err != nil {
		t.Fatal(err)
	}
	if out.String() != defaultYAML {
		t.Errorf("got\n%s", out.String())
	}
}

// everyKeyChanged is a policy that differs from the default in every key.
func everyKeyChanged() clinical.Policy {
	p := clinical.DefaultPolicy()
	for path, f := range fields(&p) {
		k, _ := byPath(path)
		switch v := f.Interface().(type) {
		case float64:
			f.SetFloat((v + k.max) / 2)
		case int:
			f.SetInt(int64(v) + 1)
		case bool:
			f.SetBool(!v)
		case []string:
			f.Set(reflect.ValueOf([]string{"sitter", "gait belt"}))
		case string:
			if k.kind == choice {
				f.SetString(k.choices[1])
			}
		}
	}
	p.Unit.DayShift, p.Unit.NightShift, p.Unit.Huddle = "06:30", "18:30", "00:00"
	p.Drugs.OfNoConcern = []string{"Zinc 5 % # paste: \"A\" \\ 'b'", "naïve – 药", "yes", "12", "null"}
	p.Recheck.TreatedMetMinutes, p.Recheck.PositiveStableHours = 1.0/3, 200.1
	return p
}

func TestPrintLoadsBack(t *testing.T) {
	p := everyKeyChanged()
	var out bytes.Buffer
	if err := Print(&out, p); err != nil {
		t.Fatal(err)
	}
	l, err := Load(out.Bytes())
	if err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	if !reflect.DeepEqual(l, loaded(p)) {
		t.Errorf("got\n%+v\nwant\n%+v", l.Policy, p)
	}
	comment := regexp.MustCompile(`(?m)^ *#.*\n`)
	if got, want := comment.FindAllString(out.String(), -1), comment.FindAllString(defaultYAML, -1); !slices.Equal(got, want) {
		t.Error("comments are lost")
	}
	if got := len(Differences(clinical.DefaultPolicy(), l.Policy)); got != len(keys) {
		t.Errorf("%d changes of %d keys", got, len(keys))
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func TestPrintWriteError(t *testing.T) {
	if err := Print(brokenWriter{}, clinical.DefaultPolicy()); !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("err = %v", err)
	}
}

func TestCheckDefault(t *testing.T) {
	if r := Check([]byte(defaultYAML)); !reflect.DeepEqual(r, Report{}) {
		t.Errorf("got %+v", r)
	}
}

func TestCheckProblems(t *testing.T) {
	r := Check([]byte("recheck: {fall_hours: 2, drug_hours: no}\n"))
	if len(r.Problems) != 1 || r.Changes != nil || r.Warnings != nil {
		t.Errorf("got %+v", r)
	}
}

func TestEachOddityIsOfAKey(t *testing.T) {
	for _, o := range oddities {
		if _, ok := byPath(o.path); !ok {
			t.Errorf("%s is no key", o.path)
		}
	}
	for _, k := range keys {
		warns := slices.ContainsFunc(oddities, func(o oddity) bool { return o.path == k.path && o.says == overWeekSays })
		interval := strings.HasPrefix(k.path, "recheck.") && (k.unit == "d" || k.unit == "h" && k.max == 336)
		if warns != interval {
			t.Errorf("%s, up to %v %s: warns of over 7 days: %v", k.path, k.max, k.unit, warns)
		}
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(defaultYAML))
	f.Add([]byte("recheck: {fall_hours: &a 4, drug_hours: *a}\n---\n? [x]\n: - y"))
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := Load(data)
		if err != nil {
			var problems *Problems
			if !errors.As(err, &problems) || len(problems.List) == 0 {
				t.Fatalf("%v", err)
			}
			for _, p := range problems.List {
				if p.Line < 1 || !slices.Contains(Faults(), p.ID) || strings.Contains(SaidProblem(p), "[policy-") {
					t.Fatalf("%+v", p)
				}
			}
			return
		}
		var out bytes.Buffer
		if err := Print(&out, l.Policy); err != nil {
			t.Fatal(err)
		}
		if again, err := Load(out.Bytes()); err != nil || again.Hash != l.Hash {
			t.Fatalf("%v\n%s", err, out.String())
		}
	})
}

// The rules call two keys by names of their own; those names are read at the top.
func TestShortNames(t *testing.T) {
	l, err := Load([]byte("comparison: more_than\nprecautions_in_feed: no\n"))
	if err != nil {
		t.Fatal(err)
	}
	if l.Policy.Sets.Comparison != clinical.MoreThan || l.Policy.Precautions.InFeed {
		t.Errorf("short names not read: %+v %+v", l.Policy.Sets, l.Policy.Precautions)
	}
}
