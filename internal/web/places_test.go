package web_test

import (
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"plumbline/internal/assess/assesstest"
	"plumbline/internal/auth"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/records"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// chartedHere are facts that no story of the demo has: a fall's recheck declined once, a
// limb with a fistula, a coded fracture.
var chartedHere = map[string]string{
	"answers-1.csv":      "source_id,stay_id,answered_at,answer,reason\nN1,S101,%s,declined,asleep at last\n",
	"restrictions-1.csv": "source_id,stay_id,limb,reason,started_at\nM1,S104,left arm,fistula,%s\n",
	"conditions-9.csv":   "source_id,stay_id,icd10,recorded_at\nX1,S106,S32.0,%s\n",
}

// openWith is the demo with these facts. The fall of S101 is due at ten past nine.
func openWith(t *testing.T) (h http.Handler, c text.Catalogue) {
	t.Helper()
	d, board := open(t)
	at := demo.AnchorTime().Add(-50 * time.Minute).Format(time.RFC3339)
	for name, rows := range chartedHere {
		memory := &assesstest.Memory{}
		if err := memory.Read(strings.NewReader(fmt.Sprintf(rows, at)), name, d.Zone, demo.AnchorTime()); err != nil {
			t.Fatal(err)
		}
		if len(memory.Rows) > 0 {
			t.Fatalf("%s is held back: %s", name, memory.Rows[0].Reason)
		}
		board.Put(t, memory.All...)
	}
	addDoses(t, board)
	return signedIn(d), text.Catalogue{Zone: d.Zone, At: demo.AnchorTime()}
}

// said is what a page says, without its markup and in single spaces.
func said(t *testing.T, h http.Handler, path string) string {
	t.Helper()
	return saidOn(t, get(h, path))
}

// saidOn is what said returns, of a page that was fetched.
func saidOn(t *testing.T, w *httptest.ResponseRecorder) string {
	t.Helper()
	if w.Code != http.StatusOK {
		t.Fatalf("a page: %d", w.Code)
	}
	return strings.Join(strings.Fields(html.UnescapeString(words(w))), " ")
}

// R-ANSWER, the sentences before standing, and limb restrictions stand on every page that
// says when a set is owed.
func TestWhatStandsBeforeASetStandsWhereverItIsOwed(t *testing.T) {
	h, c := openWith(t)
	declined, again := demo.AnchorTime().Add(-50*time.Minute), demo.AnchorTime().Add(-50*time.Minute+8*time.Hour)
	answered := "declined " + c.Time(declined) + " (asleep at last), ask again from " + c.Time(again)
	for _, tc := range []struct {
		stay  string
		words []string
	}{
		{"S101", []string{answered, "answered once: ask the provider"}}, // R-FALL: only the first counts
		{"S102", []string{"injury: stand only when cleared by the provider"}},
		{"S104", []string{"no cuff on the left arm"}},
		{"S106", []string{"fracture coded (S32.0): ask before standing"}},
	} {
		for _, path := range []string{"/stays/" + tc.stay, "/units/4W", "/units/4W/new-set"} {
			page := said(t, h, path)
			for _, want := range tc.words {
				if !strings.Contains(page, want) {
					t.Errorf("%s does not say %q of %s", path, want, tc.stay)
				}
			}
		}
		if sheet := said(t, h, "/units/4W"); strings.Count(sheet, tc.words[0]) < 2 {
			t.Errorf("the printed sheet does not say %q", tc.words[0]) // once on screen, once on paper
		}
	}
	form := said(t, h, "/stays/S104/new-set")
	if !strings.Contains(form, "no cuff on the left arm: fistula") || !strings.Contains(form, "Last set") {
		t.Error("the form's first screen leaves out the limb, or the last set")
	}
}

// patientless are the pages on which nothing stands that the feeds brought of a patient. Any
// other page says where a list is old.
var patientless = map[string]string{
	"/":                        "leads to a unit, or says that there is none",
	"/rules":                   "the rules in words",
	"/sign-in":                 "before anybody is known",
	"/sign-out":                "asks for nothing else",
	"/account":                 "the account's own",
	"/accounts":                "accounts",
	"/accounts/:account":       "one account",
	"/tokens":                  "tokens of machines",
	"/audit":                   "who saw what, not what it was",
	"/policy":                  "the policy; its preview, which counts patients, is a form's answer",
	"/policy/versions/:number": "one version of the policy",
	"/codes":                   "what a text of the feeds means",
	"/feeds/held/:row":         "a row as it was received",
	"/screens":                 "displays on walls",
	"/wall/enrol":              "before a display is enrolled",
	"/wall/offline":            "opens without a network, so it knows no list",
	"/new-set-beds-shell":      "opens without a network, so it knows no list",
	"/new-set-shell":           "opens without a network, so it knows no list",
}

// U-FRESH: a stale list says so on every page of its unit; a fresh one on none. The pages
// come from the table of routes, so that a new one is asked too.
func TestAStaleListSaysSoOnEveryPageOfItsUnit(t *testing.T) {
	drill.Long(t)
	d, _ := open(t)
	named := strings.NewReplacer(":unit", "4W", ":stay", "S101", ":fall", strings.TrimPrefix(demoFall, "/falls/"))
	for _, stale := range []bool{false, true} {
		if stale {
			d.Clock = func() time.Time { return demo.AnchorTime().Add(7 * time.Hour) }
		}
		program := web.New(d)
		h := signedIn(d)
		asked := 0
		for _, pattern := range web.Pages() {
			if patientless[pattern] != "" {
				continue
			}
			asked++
			path, as := named.Replace(pattern), h
			if role := roleOf(path); role != "" {
				as = webtest.As(program, string(role))
			}
			if path == "/wall" {
				as = enrolled(t, d, program)
			}
			saysHowOld(t, as, path, stale)
		}
		if asked < 12 {
			t.Errorf("only %d pages were asked", asked)
		}
		screen := webtest.As(program, "screen")
		saysHowOld(t, screen, "/units/4W", stale)
	}
	for pattern := range patientless {
		if !slices.Contains(web.Pages(), pattern) {
			t.Errorf("there is no page %s any more", pattern)
		}
	}
}

// saysHowOld holds a page to say before all else that a list is old, and when each kind of
// fact last came, where that is so.
func saysHowOld(t *testing.T, h http.Handler, path string, stale bool) {
	t.Helper()
	page := said(t, h, path)
	if got := strings.Contains(page, "This list is old: the newest pressure or pulse"); got != stale {
		t.Errorf("%s, stale %v: says so %v", path, stale, got)
	}
	if came := strings.Contains(page, "Last came: pressure and pulse 2 Nov"); came != stale {
		t.Errorf("%s, stale %v: tells when each kind of fact last came %v", path, stale, came)
	}
	first := `tabindex="-1">` + "\n" + `<p class="bar oldlist">`
	if stale && !strings.Contains(get(h, path).Body.String(), first) {
		t.Errorf("%s says something else first", path)
	}
}

// Where a page is of several units, each old list is named by its unit; under a filter that
// unit's alone. The workbook says it too.
func TestTheDoseReviewNamesEachOldList(t *testing.T) {
	d, _ := open(t)
	if _, err := d.Accounts.Add(t.Context(), "both", webtest.Password,
		auth.Grants{Roles: []records.Role{records.Pharmacist}, AllUnits: true}, false); err != nil {
		t.Fatal(err)
	}
	d.Clock = func() time.Time { return demo.AnchorTime().Add(7 * time.Hour) }
	h := webtest.As(web.New(d), "both")
	if page := said(t, h, "/dose-review"); !strings.Contains(page, "Unit 4W: This list is old") ||
		!strings.Contains(page, "Unit 7E: This list is old") {
		t.Error("the queue does not name each old list")
	}
	if page := said(t, h, "/dose-review?unit=7E"); strings.Contains(page, "Unit 4W: This list is old") {
		t.Error("the queue of 7E speaks of the list of 4W")
	}
	book, err := excelize.OpenReader(get(h, "/dose-review.xlsx").Body)
	if err != nil {
		t.Fatal(err)
	}
	about, err := book.GetRows(book.GetSheetList()[0])
	if err != nil || !strings.Contains(fmt.Sprint(about), "This list is old") {
		t.Errorf("the workbook does not say that a list is old: %v %v", about, err)
	}
}

// place is where a field of the documents stands: words that the page of a patient or of
// the unit must say for a value, or why none does.
type place struct {
	page  string // "stay" or "list"
	words func(p report.Patient, v any, c text.Catalogue) string
	why   string
}

func on(page string, words func(report.Patient, any, text.Catalogue) string) place {
	return place{page: page, words: words}
}

func unsaid(why string) place { return place{why: why} }

var (
	saidPlain  = on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return fmt.Sprint(v) })
	saidFigure = on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return text.Figure(v.(float64)) })
	saidMoment = on("stay", func(_ report.Patient, v any, c text.Catalogue) string { return c.Time(timeOf(v)) })
	saidSigned = on("stay", func(_ report.Patient, v any, _ text.Catalogue) string {
		return strings.TrimLeft(text.Signed(v.(float64)), "+−")
	})
	saidP = on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return text.P(v.(float64)) })

	saidCounted     = unsaid("a sentence on the page counts it")
	saidBySentence  = unsaid("its sentence tells it")
	saidWithItsDrug = unsaid("the words of its drug hold it")
	saidInItsRow    = unsaid("checkGiven looks for its row")
)

func timeOf(v any) time.Time {
	at, err := time.Parse(time.RFC3339Nano, v.(string))
	if err != nil {
		panic(err)
	}
	return at
}

func worded[K ~string](names map[K]string) place {
	return on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return names[K(v.(string))] })
}

// fieldPlaces are those of the documents of a list and of a unit over time. A field without an
// entry fails the test: give it its place on a page, and its words here.
var fieldPlaces = map[string]place{
	"unit":             on("list", func(_ report.Patient, v any, _ text.Catalogue) string { return "Unit " + v.(string) }),
	"as_of":            unsaid("the page's own saidMoment, as every page tells it"),
	"policy":           unsaid("every page's footer has its first letters"),
	"newest_vitals_at": on("list", func(_ report.Patient, v any, c text.Catalogue) string { return c.Time(timeOf(v)) }),
	"stale":            unsaid("TestAStaleListSaysSoOnEveryPageOfItsUnit"),

	"rank": on("list", func(_ report.Patient, v any, _ text.Catalogue) string {
		return text.Say("huddle.rank", int(v.(float64)))
	}),
	"patient_id": saidPlain, "stay_id": saidPlain, "name": saidPlain, "bed": saidPlain, "tier": worded(text.TierNames),
	"reasons.rule": saidPlain, "reasons.text": saidPlain, "reasons.facts": unsaid("everything charted is one link away"),
	"recheck.state": worded(text.RecheckStates), "recheck.due_at": saidMoment, "recheck.rule": saidPlain, "recheck.missing": saidPlain,
	"recheck.answer.answer": saidPlain, "recheck.answer.reason": saidPlain, "recheck.answer.answered_at": saidMoment,
	"restrictions.limb": saidPlain, "restrictions.reason": saidPlain, "restrictions.started_at": saidMoment,
	"restrictions.facts":   unsaid("everything charted is one link away"),
	"precautions.needed":   unsaid("the card says what is missing, that all are in place, that none is asked for, or that none is known"),
	"precautions.in_place": saidPlain, "precautions.missing": saidPlain,
	"dose_review.needed": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string {
		if v.(bool) {
			return text.Say("stay.asked-for")
		}
		return text.Say("stay.dose-review")
	}),
	"dose_review.flags.rule": saidPlain, "dose_review.flags.text": saidPlain, "dose_review.flags.drugs": saidBySentence,
	"dose_review.flags.facts": unsaid("everything charted is one link away"),

	"latest_set.set_id": saidPlain, "latest_set.started_at": saidMoment, "latest_set.kind": worded(text.Kinds),
	"latest_set.baseline.taken_at": saidMoment, "latest_set.baseline.systolic": saidFigure, "latest_set.baseline.diastolic": saidFigure,
	"latest_set.baseline.heart_rate": saidFigure, "latest_set.baseline.position": saidPlain, "latest_set.baseline.limb": saidPlain,
	"latest_set.baseline.minutes_in_position": saidFigure, "latest_set.baseline.kpa": unsaid("never in a document"),
	"latest_set.upright.taken_at": saidMoment, "latest_set.upright.minutes_upright": saidFigure,
	"latest_set.upright.minutes_from": unsaid("the table says upright, or upright at most, by the times"),
	"latest_set.upright.position":     saidPlain, "latest_set.upright.systolic": saidFigure, "latest_set.upright.diastolic": saidFigure,
	"latest_set.upright.heart_rate": saidFigure, "latest_set.upright.limb": saidPlain, "latest_set.upright.systolic_drop": saidFigure,
	"latest_set.upright.diastolic_drop": saidFigure, "latest_set.upright.pulse_rise": saidSigned,
	"latest_set.upright.kpa":       unsaid("never in a document"),
	"latest_set.baseline.why_none": unsaid("never in a document"), "latest_set.upright.why_none": unsaid("never in a document"),
	"latest_set.at_rest":       unsaid("never in a document"),
	"latest_set.no_baseline":   unsaid("never in a document"),
	"latest_set.systolic_drop": saidSigned, "latest_set.diastolic_drop": saidSigned, "latest_set.pulse_rise": saidSigned,
	"latest_set.pulse_rise_percent": saidSigned, "latest_set.finding": worded(text.Findings),
	"latest_set.criteria": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return text.Criteria[v.(string)].Text }),
	"latest_set.timing":   worded(text.Timings), "latest_set.sustained": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string {
		return text.Sustained(trends.Word(v.(string)))
	}),
	"latest_set.pulse_response":       saidPlain,
	"latest_set.pulse_response_ratio": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return fmt.Sprintf("%.2f", v) }),
	"latest_set.lying_pressure":       saidPlain, "latest_set.symptoms": saidPlain,
	"latest_set.stopped_early": unsaid("said beside the symptoms where it was"), "latest_set.quality": worded(text.Grades),
	"latest_set.quality_notes": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string {
		return text.Notes([]string{v.(string)})[0]
	}),
	"latest_set.facts": saidPlain,

	"serial.sets": saidCounted, "serial.interpretable": saidCounted, "serial.positive": saidCounted, "serial.negatives_in_a_row": saidCounted,
	"serial.last_positive_at": saidMoment, "serial.cleared": saidCounted,
	"serial.clear_minutes": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string {
		return text.Say("stay.clear-minutes", text.Figure(v.(float64)))
	}),
	"serial.slope_per_day": saidBySentence, "serial.slope_low": saidBySentence, "serial.slope_high": saidBySentence, "serial.p": saidBySentence, "serial.trend": saidBySentence,
	"serial.around_changes.drug": saidPlain, "serial.around_changes.change": saidPlain, "serial.around_changes.at": saidMoment,
	"serial.around_changes.sets_before": saidBySentence, "serial.around_changes.sets_after": saidBySentence, "serial.around_changes.shift": saidBySentence,
	"serial.around_changes.shift_low": saidBySentence, "serial.around_changes.shift_high": saidBySentence, "serial.around_changes.p": saidP,
	"serial.around_changes.p_smallest": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string {
		return text.SmallestP(v.(float64))
	}),
	"serial.around_changes.note": saidPlain,
	"serial.around_doses.drug": on("stay", func(p report.Patient, v any, _ text.Catalogue) string {
		for _, d := range p.Serial.AroundDoses {
			if d.Drug == v && d.SetsAfter+d.SetsOtherwise == 0 { // T-DOSE has nothing to compare: 0 of 0 tells nothing
				return d.Drug + ": no set lying to standing that can be read since its first dose."
			}
			switch { // what has no set on its side is said so, not as 0 of 0
			case d.Drug == v && d.SetsAfter == 0:
				return fmt.Sprintf("%s: positive in %d of %d; no set within 4 h after a dose", d.Drug, d.PositiveOtherwise, d.SetsOtherwise)
			case d.Drug == v && d.SetsOtherwise == 0:
				return fmt.Sprintf("%s: positive in %d of %d within 4 h after a dose; no other set", d.Drug, d.PositiveAfter, d.SetsAfter)
			case d.Drug == v:
				return fmt.Sprintf("%s: positive in %d of %d within 4 h after a dose, in %d of %d otherwise",
					d.Drug, d.PositiveAfter, d.SetsAfter, d.PositiveOtherwise, d.SetsOtherwise)
			}
		}
		return "a sentence of " + v.(string)
	}),
	"serial.around_doses.sets_after": saidWithItsDrug, "serial.around_doses.positive_after": saidWithItsDrug,
	"serial.around_doses.sets_otherwise": saidWithItsDrug, "serial.around_doses.positive_otherwise": saidWithItsDrug,
	"serial.around_doses.p": saidP,

	"exposures.bp_lowering_load": on("stay", func(_ report.Patient, v any, _ text.Catalogue) string { return text.Figure2(v.(float64)) }),
	"exposures.load_by_group":    saidBySentence, "exposures.load_from": saidBySentence, "exposures.load_left_out": saidPlain,
	"exposures.changes.drug": saidPlain, "exposures.changes.change": saidPlain, "exposures.changes.at": saidMoment,
	"exposures.changes.from_daily_dose": saidBySentence, "exposures.changes.to_daily_dose": saidBySentence, "exposures.changes.unit": saidBySentence,
	"exposures.last_doses.drug": saidPlain, "exposures.last_doses.given_at": saidMoment, "exposures.last_doses.hours_before_latest_set": saidBySentence,
	"exposures.last_given.drug": saidInItsRow, "exposures.last_given.line_only": saidInItsRow, "exposures.last_given.group": saidInItsRow,
	"exposures.last_given.given_at": saidInItsRow, "exposures.last_given.hours": saidInItsRow, "exposures.last_given.dose": saidInItsRow,
	"exposures.last_given.dose_unit": saidInItsRow, "exposures.last_given.ordered": saidInItsRow, "exposures.last_given.as_needed": saidInItsRow,
	"exposures.last_given.not_done_since": saidInItsRow,
	"exposures.unrecognised_drugs":        saidPlain, "exposures.net_fluid_ml": saidBySentence, "exposures.fluid_hours_charted": saidBySentence,
	"exposures.weight_change_kg": saidSigned, "exposures.contributors.kind": worded(text.ContributorNames),
	"exposures.contributors.evidence": saidPlain, "exposures.contributors.facts": saidPlain,
}

// Nothing that the JSON says is nowhere: every field of the list's document has a place,
// and every value that the demo gives it is said there.
func TestEveryFieldOfTheListHasItsPlace(t *testing.T) {
	known := map[string]bool{}
	fieldsOf(reflect.TypeFor[report.List](), "", known)
	for path := range known {
		if _, ok := fieldPlaces[path]; !ok {
			t.Errorf("the field %s has no place: show it on a page, and write here which words say it", path)
		}
	}
	for path := range fieldPlaces {
		if !known[path] {
			t.Errorf("no document has a field %s", path)
		}
	}
	h, c := openWith(t)
	var document map[string]any
	var list report.List
	for _, into := range []any{&document, &list} {
		fetch(t, h, "/api/v1/units/4W/list", into)
	}
	page, seen := map[string]string{"list": said(t, h, "/units/4W")}, 0
	check := func(p report.Patient) func(string, any) {
		return func(path string, v any) {
			at, ok := fieldPlaces[path]
			if !ok || at.words == nil {
				return
			}
			if want := strings.Join(strings.Fields(at.words(p, v, c)), " "); !strings.Contains(page[at.page], want) {
				t.Errorf("%s: %s is %v, and its page does not say %q", p.StayID, path, v, want)
			}
			seen++
		}
	}
	leaves(map[string]any{"unit": document["unit"], "newest_vitals_at": document["newest_vitals_at"]}, "", check(report.Patient{}))
	patients := drill.Few(5, document["patients"].([]any))
	for n, one := range patients {
		p := list.Patients[n]
		w := get(h, "/stays/"+p.StayID)
		page["stay"] = saidOn(t, w)
		leaves(one, "", check(p))
		checkGiven(t, p, w.Body.String(), c)
	}
	if seen < 31*len(patients) {
		t.Errorf("only %d values were looked for", seen)
	}
}

// fetch reads a document of the API.
func fetch(t *testing.T, h http.Handler, path string, into any) {
	t.Helper()
	if err := json.Unmarshal(get(h, path).Body.Bytes(), into); err != nil {
		t.Fatalf("GET %s: %v", path, err)
	}
}

// checkGiven holds the table of last given doses to the document, row by row.
func checkGiven(t *testing.T, p report.Patient, page string, c text.Catalogue) {
	t.Helper()
	rows := givenRows(page)
	if len(rows) != len(p.Exposures.LastGiven) {
		t.Fatalf("%s: %d rows of last given doses, want %d", p.StayID, len(rows), len(p.Exposures.LastGiven))
	}
	for n, g := range p.Exposures.LastGiven {
		want := []string{g.Drug, map[string]string{"contributing": "can contribute to falls", "pressor": "raises blood pressure"}[g.Group]}
		if g.LineOnly {
			want[1] = "only keeps a line open"
		} else if want[1] == "" {
			want[1] = g.Group
		}
		switch {
		case g.GivenAt == nil:
			want = append(want, "–", "no given dose charted")
		case g.Dose == nil:
			want = append(want, c.Time(*g.GivenAt), text.Span(time.Duration(*g.Hours*float64(time.Hour)).Round(time.Second)), "amount not charted")
		default:
			want = append(want, c.Time(*g.GivenAt), text.Span(time.Duration(*g.Hours*float64(time.Hour)).Round(time.Second)),
				strings.TrimSpace(strconv.FormatFloat(*g.Dose, 'f', -1, 64)+" "+*g.DoseUnit))
		}
		switch {
		case g.AsNeeded:
			want = append(want, "as needed")
		case g.Ordered:
			want = append(want, "ordered")
		default:
			want = append(want, "no order runs")
		}
		want = append(want, map[int]string{0: "none", 1: "1 dose not given", 2: "2 doses not given"}[g.NotDoneSince])
		rest := rows[n]
		for _, words := range want {
			_, after, found := strings.Cut(rest, words)
			if !found {
				t.Errorf("%s: %q does not say %q of %+v", p.StayID, rows[n], words, g)
			}
			rest = after
		}
	}
}

// fieldsOf are the paths of the fields of a document that hold figures or words.
func fieldsOf(of reflect.Type, path string, into map[string]bool) {
	for of.Kind() == reflect.Pointer || of.Kind() == reflect.Slice {
		of = of.Elem()
	}
	if of.Kind() != reflect.Struct || of == reflect.TypeFor[time.Time]() {
		into[path] = true
		return
	}
	for n := range of.NumField() {
		name, _, _ := strings.Cut(of.Field(n).Tag.Get("json"), ",")
		if path == "" && name == "patients" {
			fieldsOf(of.Field(n).Type, "", into)
			continue
		}
		fieldsOf(of.Field(n).Type, strings.TrimPrefix(path+"."+name, "."), into)
	}
}

// leaves are the values of a document that are there: neither null nor "".
func leaves(v any, path string, each func(string, any)) {
	switch v := v.(type) {
	case nil:
	case []any:
		for _, one := range v {
			leaves(one, path, each)
		}
	case map[string]any:
		for name, one := range v {
			leaves(one, strings.TrimPrefix(path+"."+name, "."), each)
		}
	default:
		if v != "" {
			each(path, v)
		}
	}
}
