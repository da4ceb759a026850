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
	said := map[string]bool{}
	for _, k := range keys {
		field, ok := at[k.path]
		switch {
		case !ok:
			t.Errorf("%s is no leaf of Policy", k.path)
		case field.Kind() != kinds[k.kind]:
			t.Errorf("%s is a %s", k.path, field.Kind())
		case k.says == "" || said[k.says]:
			t.Errorf("%s: says %q", k.path, k.says)
		case (k.kind == number || k.kind == whole) != (k.min < k.max):
			t.Errorf("%s: range %v to %v", k.path, k.min, k.max)
		case k.kind == choice && len(k.choices) == 0:
			t.Errorf("%s has no choices", k.path)
		}
		said[k.says] = true
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
		if len(problems.List) != 1 || problems.List[0].String() != test.want {
			t.Errorf("Load(%q)\n got %s\nwant %s", test.file, problems.List, test.want)
		}
		if clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("Load(%q): code %s", test.file, clinical.CodeOf(err))
		}
	}
}

func TestLoadUnknownPrecaution(t *testing.T) {
	_, err := Load([]byte("precautions:\n  bundle:\n    - sitter\n    - bed alarms\n"))
	if err == nil || !strings.Contains(err.Error(), `line 4: precautions.bundle: "bed alarms": no known precaution; did you mean bed alarm? (allowed: a list of assisted rising,`) {
		t.Errorf("err = %v", err)
	}
}

func TestLoadNamesEveryWrongItemOfAList(t *testing.T) {
	r := Check([]byte("precautions:\n  bundle:\n    - sitter\n    - Sitter\n    - 5\n    - sitter\n"))
	var got []string
	for _, p := range r.Problems {
		said, _, _ := strings.Cut(p.String(), " (allowed")
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
	if _, err := Load([]byte(file(names))); err == nil || !strings.Contains(err.Error(), "has 201 names") {
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
	if err == nil || err.Error() != want {
		t.Errorf("got\n%v\nwant\n%s", err, want)
	}
	var problems *Problems
	if errors.As(err, &problems) {
		if got, want := problems.List[1], (Problem{Line: 3, Key: "recheck.fall_hours", Value: "999", Message: "out of range (allowed: 0.5 to 336 h)"}); got != want {
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
		if !strings.HasPrefix(got.Message, "not readable as YAML") || !strings.Contains(got.Message, "): "+test.do) || got.Line != test.line {
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
		if len(r.Problems) != 1 || r.Problems[0].String() != test.want {
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

func TestCheckChanges(t *testing.T) {
	tests := []struct{ file, want string }{
		{"recheck: {positive_hours: 8}", "recheck after a positive set: 8 h instead of 12 h (recheck.positive_hours)"},
		{"recheck: {at_risk_age: 60}", "age from which a patient is at risk: 60 years instead of 65 years (recheck.at_risk_age)"},
		{"sets: {comparison: more_than}", "drop thresholds are read as: more_than instead of at_least (sets.comparison)"},
		{"serial: {trend_level: 0.09}", "p under which a trend is named: 0.09 instead of 0.1 (serial.trend_level)"},
		{"precautions: {in_feed: no}", "precautions are in the feeds: no instead of yes (precautions.in_feed)"},
		{"precautions: {added_after_fall_or_stopped_set: [sitter]}", "precautions added after a fall or a stopped set: with sitter; without bed alarm (precautions.added_after_fall_or_stopped_set)"},
		{"precautions: {added_after_fall_or_stopped_set: []}", "precautions added after a fall or a stopped set: without bed alarm (precautions.added_after_fall_or_stopped_set)"},
		{"drugs: {of_no_concern: [zinc, biotin]}", "drugs of no concern: with zinc, biotin (drugs.of_no_concern)"},
		{"precautions: {bundle: [call light in reach, assisted rising, non-slip footwear, bed low and locked, toileting schedule]}",
			"precautions expected: in another order: call light in reach, assisted rising, non-slip footwear, bed low and locked, toileting schedule (precautions.bundle)"},
		{"unit: {huddle: 06:45}", "huddle begins: 06:45 instead of 07:00 (unit.huddle)"},
	}
	for _, test := range tests {
		if r := Check([]byte(test.file)); r.Problems != nil || !slices.Equal(r.Changes, []string{test.want}) {
			t.Errorf("Check(%q) = %q, %v", test.file, r.Changes, r.Problems)
		}
	}
}

func TestCheckWarnings(t *testing.T) {
	tests := []struct{ file, want string }{
		{"plausible: {systolic_min: 71}", "plausible.systolic_min is 71 mmHg: a truly low pressure"},
		{"plausible: {systolic_max: 249}", "plausible.systolic_max is 249 mmHg: a truly high pressure"},
		{"plausible: {diastolic_min: 41}", "plausible.diastolic_min is 41 mmHg: a truly low pressure"},
		{"plausible: {diastolic_max: 129}", "plausible.diastolic_max is 129 mmHg: a truly high pressure"},
		{"plausible: {pulse_min: 41}", "plausible.pulse_min is 41 beats/min: a truly slow pulse"},
		{"plausible: {pulse_max: 199}", "plausible.pulse_max is 199 beats/min: a truly fast pulse"},
		{"sets: {window_minutes: 31}", "sets.window_minutes is 31 min: readings so far apart"},
		{"sets: {window_minutes: 5}", "sets.window_minutes is 5 min: shorter than"},
		{"sets: {comparison: more_than}", "sets.comparison is more_than: a drop of exactly 20 mmHg (or 10 diastolic) no longer counts"},
		{"sets: {standing_from_minutes: 3.5}", "sets.standing_from_minutes is 3.5 min: sets measured"},
		{"sets: {standing_from_minutes: 1.5}", "sets.standing_from_minutes is 1.5 min: the reading at 1 min"},
		{"sets: {standing_from_minutes: 0.4}", "sets.standing_from_minutes is 0.4 min: a reading taken in the moment"},
		{"sets: {pulse_rise_notable_percent: 9}", "sets.pulse_rise_notable_percent is 9 %: common practice"},
		{"sets: {clearing_stand_from_minutes: 3.5}", "sets.clearing_stand_from_minutes is 3.5 min: sets measured at 1 and 3 min"},
		{"sets: {standing_to_minutes: 2.5}", "sets.standing_to_minutes is 2.5 min: the reading at 3 min"},
		{"sets: {standing_to_minutes: 11}", "sets.standing_to_minutes is 11 min: published protocols"},
		{"sets: {clearing_stand_from_minutes: 0.5}", "sets.clearing_stand_from_minutes is 0.5 min: under a minute"},
		{"serial: {clear_negatives: 1}", "serial.clear_negatives is 1: still needs two sets"},
		{"serial: {clear_negatives: 1, clear_hours_apart: 0}", "serial.clear_negatives is 1: a single negative set clears"},
		{"serial: {clear_hours_apart: 0}", "serial.clear_hours_apart is 0 h: sets close together"},
		{"serial: {trend_level: 0.05}", "serial.trend_level is 0.05: four sets"},
		{"serial: {trend_level: 0.083}", "serial.trend_level is 0.083: four sets"},
		{"serial: {trend_level: 0.11}", "serial.trend_level is 0.11: more than one steady patient in ten"},
		{"drugs: {renewal_hours: 7}", "drugs.renewal_hours is 7 h: a drug left off"},
		{"drugs: {home_drugs_hours: 0}", "drugs.home_drugs_hours is 0 h: drugs from home"},
		{"drugs: {home_drugs_hours: 25}", "drugs.home_drugs_hours is 25 h: a drug begun on the second day"},
		{"fluid: {coverage_percent: 49}", "fluid.coverage_percent is 49 %: a balance"},
		{"causes: {net_48h_ml: -900}", "causes.net_48h_ml is -900 mL: less is asked"},
		{"causes: {net_24h_ml: -499}", "causes.net_24h_ml is -499 mL: charted fluid"},
		{"causes: {net_24h_ml: -400, net_48h_ml: -499}", "causes.net_24h_ml is -400 mL: charted fluid;causes.net_48h_ml is -499 mL: charted fluid"},
		{"causes: {weight_change_kg: -0.9}", "causes.weight_change_kg is -0.9 kg: clothes"},
		{"causes: {haemoglobin_fall_g_dl: 0.9}", "causes.haemoglobin_fall_g_dl is 0.9 g/dL: two samples"},
		{"recheck: {fall_hours: 25}", "recheck.fall_hours is 25 h: over a day"},
		{"recheck: {stopped_hours: 25}", "recheck.stopped_hours is 25 h: over a day"},
		{"recheck: {fall_hours: 169}", "recheck.fall_hours is 169 h: over 7 days"},
		{"recheck: {stopped_hours: 169}", "recheck.stopped_hours is 169 h: over 7 days"},
		{"recheck: {treated_hours: 169}", "recheck.treated_hours is 169 h: over 7 days"},
		{"recheck: {positive_stable_hours: 169}", "recheck.positive_stable_hours is 169 h: over 7 days"},
		{"recheck: {repeat_hours: 169}", "recheck.repeat_hours is 169 h: over 7 days"},
		{"recheck: {drug_hours: 169}", "recheck.drug_hours is 169 h: over 7 days"},
		{"recheck: {admit_hours: 169}", "recheck.admit_hours is 169 h: over 7 days"},
		{"recheck: {weekly_days: 8}", "recheck.weekly_days is 8 d: over 7 days"},
		{"recheck: {positive_hours: 169, positive_stable_hours: 169}",
			"recheck.positive_hours is 169 h: over 7 days;recheck.positive_stable_hours is 169 h: over 7 days"},
		{"recheck: {positive_hours: 3.5}", "recheck.due_within_hours is 4 h: longer than recheck.positive_hours"},
		{"recheck: {positive_hours: 3, positive_stable_hours: 3.5}",
			"recheck.due_within_hours is 4 h: longer than recheck.positive_hours;recheck.due_within_hours is 4 h: longer than recheck.positive_stable_hours"},
		{"recheck: {repeat_hours: 3.5}", "recheck.due_within_hours is 4 h: longer than recheck.repeat_hours"},
		{"recheck: {drug_hours: 3.5, drug_met_from_hours: 1}", "recheck.due_within_hours is 4 h: longer than recheck.drug_hours"},
		{"recheck: {due_within_hours: 15}", "recheck.due_within_hours is 15 h: longer than recheck.positive_hours;recheck.due_within_hours is 15 h: longer than recheck.repeat_hours"},
		{"recheck: {admit_hours: 3.5}", "recheck.due_within_hours is 4 h: longer than recheck.admit_hours"},
		{"recheck: {weekly_days: 1}", ""},
		{"recheck: {treated_met_from_minutes: 0}", "recheck.treated_met_from_minutes is 0 min: a set taken together"},
		{"recheck: {positive_stable_sets: 1}", "recheck.positive_stable_sets is 1: one positive set"},
		{"recheck: {drug_met_from_hours: 0.5}", "recheck.drug_met_from_hours is 0.5 h: a set taken before"},
		{"recheck: {volume_net_48h_ml: -400}", "recheck.volume_net_48h_ml is -400 mL: charted fluid"},
		{"recheck: {at_risk_age: 66}", "recheck.at_risk_age is 66 years: NICE NG249 assesses inpatients from 65"},
		{"precautions: {in_feed: no}", "precautions.in_feed is no: of a stay for which none is charted here no missing precaution"},
		{"serial: {clear_delayed: standard}", "serial.clear_delayed is standard: a drop that comes at 8 minutes"},
		{"serial: {clear_minutes_most: 16}", "serial.clear_minutes_most is 16 min: a patient whose drop came late"},
		{"recheck: {answer_hours: 25}", "recheck.answer_hours is 25 h: a recheck that was declined once"},
		{"recheck: {answer_hours: 0.5}", "recheck.answer_hours is 0.5 h: what was declined"},
		{"recheck: {answer_elsewhere_hours: 25}", "recheck.answer_elsewhere_hours is 25 h: a set that was taken elsewhere"},
		{"recheck: {answers_that_count: 6}", "recheck.answers_that_count is 6: a recheck may be put off"},
		{"recheck: {answers_that_count_urgent: 2}", "recheck.answers_that_count_urgent is 2: the set after a fall"},
		{"unit: {stale_after_hours: 13}", "unit.stale_after_hours is 13 h: a feed that fails"},
		{"unit: {stale_after_hours: 1.5}", "unit.stale_after_hours is 1.5 h: where vital signs"},
		{"precautions: {bundle: []}", "precautions.bundle is none: nothing is expected"},
		{"precautions: {added_after_fall_or_stopped_set: [bed alarm, assisted rising]}", "precautions.added_after_fall_or_stopped_set is bed alarm, assisted rising: names"},
		{"dose_review: {positive_hours: 23}", "dose_review.positive_hours is 23 h: a positive set of the day before"},
		{"dose_review: {peak_to_hours: 13}", "dose_review.peak_to_hours is 13 h: with a drug given twice a day"},
		{"dose_review: {room_systolic: 141}", "dose_review.room_systolic is 141 mmHg: D-ROOM then flags"},
		{"tiers: {gap_hours: 23}", "tiers.gap_hours is 23 h: a precaution still missing"},
		{"tiers: {cleared_hours: 0}", "tiers.cleared_hours is 0 h: a patient leaves"},
		{"unit: {day_shift: 19:00, night_shift: 07:00}", "unit.day_shift is 19:00: later in the day"},
		{"unit: {patient_days: hours}", "unit.patient_days is hours: rates then"},
		{"tiers: {recent_hours: 7}", "tiers.recent_hours is 7 h: a fall"},
		{"tiers: {low_standing_min_drop: 9}", "tiers.low_standing_min_drop is 9 mmHg: a drop of a few"},
		{"tiers: {low_standing_min_drop: 21}", "tiers.low_standing_min_drop is 21 mmHg: a standing pressure"},

		// The last values without a warning.
		{"plausible: {systolic_min: 70, systolic_max: 250, diastolic_min: 40, diastolic_max: 130, pulse_min: 40, pulse_max: 200}", ""},
		{"sets: {window_minutes: 30, standing_from_minutes: 1, standing_to_minutes: 10, clearing_stand_from_minutes: 1, pulse_rise_notable_percent: 10}", ""},
		{"sets: {standing_from_minutes: 0.5, standing_to_minutes: 3.1, clearing_stand_from_minutes: 3}", ""},
		{"serial: {clear_hours_apart: 4, trend_level: 0.084}", ""},
		{"drugs: {renewal_hours: 6, home_drugs_hours: 24}", ""},
		{"fluid: {coverage_percent: 50}", ""},
		{"causes: {net_24h_ml: -500, net_48h_ml: -500, weight_change_kg: -1, haemoglobin_fall_g_dl: 1}", ""},
		{"recheck: {fall_hours: 24, stopped_hours: 24, positive_hours: 168, positive_stable_hours: 168, drug_hours: 168, weekly_days: 7, due_within_hours: 12}", ""},
		{"recheck: {fall_hours: 1, stopped_hours: 1, treated_hours: 1, positive_stable_sets: 2, drug_met_from_hours: 1, volume_net_48h_ml: -500}", ""},
		{"dose_review: {positive_hours: 24, peak_to_hours: 12, room_systolic: 140}", ""},
		{"recheck: {answer_hours: 24, answer_elsewhere_hours: 24, answers_that_count: 5}", ""},
		{"recheck: {answer_hours: 1, answers_that_count: 0, answers_that_count_urgent: 0}", ""},
		{"serial: {clear_minutes_most: 15}", ""},
		{"unit: {stale_after_hours: 12}", ""}, {"unit: {stale_after_hours: 2}", ""},
		{"tiers: {low_standing_min_drop: 20, recent_hours: 8, gap_hours: 24, cleared_hours: 1}", ""},
	}
	seen := map[string]bool{}
	for _, test := range tests {
		r := Check([]byte(test.file))
		var want []string
		if test.want != "" {
			want = strings.Split(test.want, ";")
		}
		good := slices.EqualFunc(r.Warnings, want, strings.HasPrefix)
		if r.Problems != nil || !good {
			t.Errorf("Check(%q) = %q, %v", test.file, r.Warnings, r.Problems)
		}
		for _, w := range r.Warnings {
			path, rest, _ := strings.Cut(w, " is ")
			_, says, _ := strings.Cut(rest, ": ")
			seen[path+": "+says] = true
		}
	}
	for _, o := range oddities {
		if _, ok := byPath(o.path); !ok {
			t.Errorf("%s is no key", o.path)
		}
		if !seen[o.path+": "+o.says] {
			t.Errorf("no file warns that %s: %s", o.path, o.says)
		}
	}
	for _, k := range keys {
		warns := slices.ContainsFunc(oddities, func(o oddity) bool { return o.path == k.path && o.says == "over 7 days until the set is due" })
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
				if p.Line < 1 || p.Message == "" {
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
