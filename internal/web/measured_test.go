package web_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// device is a machine that hands in sets, with the program before it.
type device struct {
	t      *testing.T
	h      http.Handler
	d      web.Deps
	secret string
}

func openDevice(t *testing.T, units ...string) (device, *webtest.Answers) {
	t.Helper()
	d, board := open(t)
	return deviceOf(t, d, units...), board
}

func deviceOf(t *testing.T, d web.Deps, units ...string) device {
	t.Helper()
	made := auth.ParseAPIToken("monitors", []string{"sets:write", "sets:read"}, units, demo.AnchorTime().Add(time.Hour))
	secret, _, err := d.Tokens.Make(t.Context(), made, "root")
	if err != nil {
		t.Fatal(err)
	}
	return device{t, web.New(d), d, secret}
}

func (m device) do(method, target, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	r.RemoteAddr, r.Host = "127.0.0.1:999", "localhost"
	r.Header.Set("Authorization", "Bearer "+m.secret)
	w := httptest.NewRecorder()
	m.h.ServeHTTP(w, r)
	return w
}

func (m device) send(stay, body string) *httptest.ResponseRecorder {
	return m.do("POST", "/api/v1/stays/"+stay+"/sets", body)
}

// at is a moment some minutes from the demo's, as RFC 3339.
func at(minutes float64) string {
	return demo.AnchorTime().Add(time.Duration(minutes * float64(time.Minute))).UTC().Format(time.RFC3339Nano)
}

// reading is one of a set; more is further members, each with a comma before it.
func reading(minutes float64, position string, systolic, diastolic, pulse int, more string) string {
	return fmt.Sprintf(`{"taken_at":%q,"position":%q,"systolic":%d,"diastolic":%d,"heart_rate":%d,"limb":"left arm"%s}`,
		at(minutes), position, systolic, diastolic, pulse, more)
}

func setOf(id string, readings ...string) string {
	return fmt.Sprintf(`{"id":%q,"taken_by":"ward monitor 7","readings":[%s]}`, id, strings.Join(readings, ","))
}

// goodSet drops by 34 at the first minute upright.
func goodSet(id string) string {
	return setOf(id,
		reading(-10, "lying", 142, 78, 70, `,"minutes_in_position":5,"symptoms":[],"stopped_early":false`),
		reading(-9, "standing", 108, 66, 78, `,"minutes_in_position":1`),
		reading(-7, "standing", 112, 68, 80, `,"minutes_in_position":3,"symptoms":["dizziness"]`))
}

// sets are those of a stay as GET tells them, each as its own JSON.
func (m device) sets(stay string) []json.RawMessage {
	return m.setsOf("/api/v1/stays/" + stay + "/sets")
}

// setsAt are they some minutes from the demo's moment.
func (m device) setsAt(stay string, minutes float64) []json.RawMessage {
	return m.setsOf("/api/v1/stays/" + stay + "/sets?as_of=" + at(minutes))
}

func (m device) setsOf(target string) []json.RawMessage {
	m.t.Helper()
	w := m.do("GET", target, "")
	var body struct{ Sets []json.RawMessage }
	if err := json.Unmarshal(w.Body.Bytes(), &body); err != nil || w.Code != 200 {
		m.t.Fatalf("GET sets = %d %s", w.Code, w.Body)
	}
	return body.Sets
}

func (m device) newestOf(stay, setID string) string {
	m.t.Helper()
	for _, s := range m.sets(stay) {
		if strings.Contains(string(s), `"set_id":"`+setID+`"`) {
			return string(s)
		}
	}
	return ""
}

// faults are field and bounds of each problem of a refusal.
func faults(t *testing.T, w *httptest.ResponseRecorder) (out []string) {
	t.Helper()
	var body struct {
		Problems []struct {
			Field, Message *string
			Min, Max       *float64
		}
	}
	if err := json.Unmarshal(w.Body.Bytes(), &body); err != nil {
		t.Fatalf("%d %s: %v", w.Code, w.Body, err)
	}
	for _, p := range body.Problems {
		if p.Field == nil || p.Message == nil || !strings.HasSuffix(*p.Message, ".") || strings.Contains(*p.Message, "%") {
			t.Errorf("the problem lacks its field or its sentence: %s", w.Body)
			continue
		}
		s := *p.Field
		if p.Min != nil {
			s += " from " + strconv.FormatFloat(*p.Min, 'f', -1, 64)
		}
		if p.Max != nil {
			s += " to " + strconv.FormatFloat(*p.Max, 'f', -1, 64)
		}
		out = append(out, s)
	}
	return out
}

// A set of a device is answered with the set as in `sets`; its ids are made of the sender's; sent again
// it is answered the same, and nothing new is kept; with another body, or for another stay, never.
func TestADeviceHandsInASetOnce(t *testing.T) {
	m, _ := openDevice(t, "4W")
	before := len(m.sets("S102"))
	first := m.send("S102", goodSet("m7-000123"))
	if first.Code != http.StatusCreated {
		t.Fatalf("201 wanted, got %d %s", first.Code, first.Body)
	}
	var set struct {
		SetID, Finding string
		SystolicDrop   float64 `json:"systolic_drop"`
		Facts          []string
		Symptoms       []string
	}
	if err := json.Unmarshal([]byte(strings.Replace(first.Body.String(), "set_id", "setid", 1)), &set); err != nil {
		t.Fatal(err)
	}
	if set.SetID != "here-m7-000123" || set.Finding != "positive" || set.SystolicDrop != 34 ||
		!slices.Equal(set.Facts, []string{"here-m7-000123-1", "here-m7-000123-2", "here-m7-000123-3"}) ||
		!slices.Equal(set.Symptoms, []string{"dizziness"}) {
		t.Errorf("the set: %+v", set)
	}
	if got := m.newestOf("S102", "here-m7-000123"); got != first.Body.String() {
		t.Errorf("GET tells another set:\n%s\n%s", got, first.Body)
	}
	// Equal after parsing: other white space, order of members, offsets, spelling of numbers, null for what is not there.
	same := strings.NewReplacer(
		`"systolic":142`, `"systolic": 1.42e2`, at(-10), demo.AnchorTime().Add(-10*time.Minute).In(time.FixedZone("", 5400)).Format(time.RFC3339),
		`"symptoms":[],`, `"symptoms":null,`, `"lying"`, `"Lying"`,
	).Replace(goodSet("m7-000123"))
	for what, body := range map[string]string{"as it was": goodSet("m7-000123"), "written otherwise": "\n " + same} {
		w := m.send("S102", body)
		if w.Code != http.StatusOK || w.Body.String() != first.Body.String() {
			t.Errorf("sent again %s = %d\n%s\n%s", what, w.Code, w.Body, first.Body)
		}
	}
	for what, body := range map[string]string{
		"another pressure": strings.Replace(goodSet("m7-000123"), "142", "143", 1),
		"another sender":   strings.Replace(goodSet("m7-000123"), "monitor 7", "monitor 8", 1),
		"one less":         setOf("m7-000123", reading(-10, "lying", 142, 78, 70, "")),
		"an older one":     strings.Replace(goodSet("m7-000123"), at(-10), at(-2000), 1),
	} {
		if w := m.send("S102", body); w.Code != http.StatusConflict {
			t.Errorf("%s = %d %s", what, w.Code, w.Body)
		}
	}
	if w := m.send("S101", goodSet("m7-000123")); w.Code != http.StatusConflict {
		t.Errorf("for another stay = %d", w.Code)
	}
	if after := len(m.sets("S102")); after != before+1 {
		t.Errorf("%d sets became %d", before, after)
	}
	here := m.d.Sets.(*webtest.Sets).All()
	if len(here) != 3 {
		t.Fatalf("%d facts are kept, want 3", len(here))
	}
	for _, v := range here {
		if v.Feed != clinical.BedsideFeed || v.StayID != "S102" || v.Status != clinical.Final || !v.Stated || !v.RecordedAt.Equal(m.d.Clock()) {
			t.Errorf("not as the bedside form charts: %+v", v)
		}
	}
	// A day later it is too old for a new one, and still answered.
	later := m.d
	later.Clock = func() time.Time { return demo.AnchorTime().Add(30 * time.Hour) }
	again := device{t, web.New(later), later, m.secret}
	if w := again.send("S102", goodSet("m7-000123")); w.Code != http.StatusOK || w.Body.String() != first.Body.String() {
		t.Errorf("a day later = %d\n%s\n%s", w.Code, w.Body, first.Body)
	}
	if w := again.send("S102", goodSet("m7-000124")); w.Code != http.StatusBadRequest {
		t.Errorf("a new one that is a day old = %d", w.Code)
	}
}

// The page of the patient says by which machine, and by whom or what as it says, a set was taken; it is no
// set of the form, and cannot be opened as one.
func TestThePageOfThePatientNamesTheDevice(t *testing.T) {
	m, _ := openDevice(t, "4W")
	if w := m.send("S102", goodSet("a")); w.Code != http.StatusCreated {
		t.Fatal(w.Body)
	}
	h := signedIn(m.d)
	if page := get(h, "/stays/S102").Body.String(); !strings.Contains(page, "token monitors (ward monitor 7)") {
		t.Error("the page of the patient does not name the device")
	}
	if w := get(h, "/stays/S102/new-set?sent=here-a"); w.Code != http.StatusNotFound {
		t.Errorf("as a set of the form = %d", w.Code)
	}
}

// What is refused, field by field; nothing of it is kept.
func TestWhatOfADeviceIsRefused(t *testing.T) {
	m, _ := openDevice(t, "4W")
	lying, standing := reading(-10, "lying", 142, 78, 70, ""), reading(-9, "standing", 108, 66, 78, "")
	change := func(old, by string) string { return strings.Replace(setOf("x", lying, standing), old, by, 1) }
	many := slices.Repeat([]string{lying}, 21)
	admitted := m.stay("S102").AdmittedAt
	for what, c := range map[string]struct{ body, want string }{
		"systolic over 300":   {change("142", "301"), "readings[0].systolic from 40 to 300"},
		"systolic under 40":   {change("108", "39.9"), "readings[1].systolic from 40 to 300"},
		"diastolic over 200":  {change(":78", ":201"), "readings[0].diastolic from 10 to 200"},
		"diastolic not below": {change(":78", ":142"), "readings[0].diastolic from 10 to 200"},
		"pulse under 20":      {change(":70", ":19"), "readings[0].heart_rate from 20 to 300"},
		"two at once":         {strings.Replace(change("142", "301"), ":78,\"limb\"", ":1,\"limb\"", 1), "readings[0].systolic from 40 to 300, readings[1].heart_rate from 20 to 300"},
		"a position":          {change("lying", "kneeling"), "readings[0].position"},
		"a limb":              {change("left arm", "left wrist"), "readings[0].limb"},
		"a symptom":           {setOf("x", reading(-9, "standing", 108, 66, 78, `,"symptoms":["dizziness","tired"]`)), "readings[0].symptoms[1]"},
		"no time":             {setOf("x", `{"systolic":120}`), "readings[0].taken_at"},
		"no such time":        {change(at(-10), "2026-02-30T07:00:00Z"), "readings[0].taken_at"},
		"a time as a number":  {setOf("x", `{"taken_at":1764000000}`), "readings[0].taken_at"},
		"ahead":               {change(at(-9), at(5.5)), "readings[1].taken_at"},
		"a day old":           {change(at(-10), at(-24*60-1)), "readings[0].taken_at"},
		"before admission":    {change(at(-10), admitted.Add(-time.Second).Format(time.RFC3339)), "readings[0].taken_at"},
		"no reading":          {setOf("x"), "readings from 1 to 20"},
		"readings not there":  {`{"id":"x"}`, "readings from 1 to 20"},
		"readings null":       {`{"id":"x","readings":null}`, "readings from 1 to 20"},
		"readings no list":    {`{"id":"x","readings":{}}`, "readings"},
		"21 readings":         {setOf("x", many...), "readings from 1 to 20"},
		"no id":               {setOf("", lying), "id"},
		"an id with a space":  {setOf("a b", lying), "id"},
		"an id of 65":         {setOf(strings.Repeat("a", 65), lying), "id"},
		"an id in Greek":      {setOf("α", lying), "id"},
		"an id as a number":   {strings.Replace(setOf("x", lying), `"x"`, "7", 1), "id"},
		"a unit":              {setOf("x", reading(-9, "lying", 120, 70, 70, `,"pressure_unit":"kPa"`)), "readings[0].pressure_unit"},
		"a member at the top": {strings.Replace(setOf("x", lying), `"id"`, `"note":"","id"`, 1), "note"},
		"in other letters":    {change(`"systolic"`, `"Systolic"`), "readings[0].Systolic"},
		"twice":               {change(`"systolic":142`, `"systolic":142,"systolic":120`), "readings[0].systolic"},
		"a figure as text":    {change("142", `"142"`), "readings[0].systolic"},
		"a figure too large":  {change("142", "1e999"), "readings[0].systolic"},
		"minutes under 0":     {setOf("x", reading(-9, "lying", 120, 70, 70, `,"minutes_in_position":-1`)), "readings[0].minutes_in_position from 0"},
		"stopped early as 1":  {setOf("x", reading(-9, "lying", 120, 70, 70, `,"stopped_early":1`)), "readings[0].stopped_early"},
		"a reading no object": {setOf("x", "7"), "readings[0]"},
		"a list":              {"[]", " | id, readings from 1 to 20"},
		"nothing":             {"", ""},
		"half of it":          {`{"id":"x","readings":[`, ""},
		"two of them":         {setOf("x", lying) + setOf("y", lying), ""},
		"no UTF-8":            {strings.Replace(setOf("x", lying), "ward", "\xff", 1), ""},
		"a line in taken_by":  {strings.Replace(setOf("x", lying), " monitor", `\n`, 1), "taken_by"},
		"a long taken_by":     {strings.Replace(setOf("x", lying), "ward", strings.Repeat("w", 200), 1), "taken_by"},
	} {
		w := m.send("S102", c.body)
		if got := faults(t, w); w.Code != http.StatusBadRequest || strings.Join(got, ", ") != strings.Replace(c.want, " | ", ", ", 1) {
			t.Errorf("%s = %d %q, want 400 %q", what, w.Code, strings.Join(got, ", "), c.want)
		}
	}
	if kept := m.d.Sets.(*webtest.Sets).All(); len(kept) > 0 {
		t.Errorf("%d facts of sets that were refused are kept", len(kept))
	}
	if w := m.send("S102", setOf("x", lying, standing)); w.Code != http.StatusCreated {
		t.Errorf("the id of a set that was refused serves no more: %d %s", w.Code, w.Body)
	}
	if w := m.send("S102", `{"id":"`+strings.Repeat(" ", 64<<10)+`"}`); w.Code != http.StatusRequestEntityTooLarge || !json.Valid(w.Body.Bytes()) {
		t.Errorf("64 KiB and more = %d %s", w.Code, w.Body)
	}
}

// stay is a stay as it is known now.
func (m device) stay(id string) clinical.Stay {
	view, err := m.d.Answers.Stay(m.t.Context(), id, m.d.Clock())
	if err != nil {
		m.t.Fatal(err)
	}
	return *view.Chart.Stay
}

// The bounds themselves are inside; and what is missing, out of order or too short a rest is taken.
func TestWhatOfADeviceIsTaken(t *testing.T) {
	m, _ := openDevice(t, "4W")
	for what, readings := range map[string][]string{
		"the ends of V-PLAUSIBLE":  {reading(-10, "lying", 300, 200, 300, ""), reading(-9, "standing", 40, 10, 20, "")},
		"5 minutes ahead":          {reading(-1, "lying", 120, 70, 70, ""), reading(5, "standing", 118, 70, 70, "")},
		"standing first":           {reading(-5, "standing", 120, 70, 70, ""), reading(-9, "lying", 120, 70, 70, "")},
		"no rest":                  {reading(-5, "lying", 120, 70, 70, `,"minutes_in_position":0`), reading(-4, "standing", 120, 70, 70, "")},
		"one reading":              {reading(-5, "lying", 120, 70, 70, "")},
		"no figure":                {fmt.Sprintf(`{"taken_at":%q,"position":"standing","limb":"left arm"}`, at(-3))},
		"a time alone":             {fmt.Sprintf(`{"taken_at":%q}`, at(-3))},
		"null for all that may be": {fmt.Sprintf(`{"taken_at":%q,"position":null,"systolic":null,"diastolic":null,"heart_rate":null,"limb":null,"minutes_in_position":null,"symptoms":null,"stopped_early":null}`, at(-3))},
		"a diastolic alone":        {fmt.Sprintf(`{"taken_at":%q,"position":"lying","diastolic":70}`, at(-3))},
		"a leg":                    {strings.Replace(reading(-5, "lying", 120, 70, 70, ""), "left arm", "right leg", 1)},
		"20 readings":              slices.Repeat([]string{reading(-5, "lying", 120, 70, 70, "")}, 20),
	} {
		id := strings.NewReplacer(" ", ".", "-", "_").Replace(what)
		w := m.send("S102", setOf(id, readings...))
		if w.Code != http.StatusCreated {
			t.Errorf("%s = %d %s", what, w.Code, w.Body)
			continue
		}
		if want := m.newestOf("S102", "here-"+id); want != w.Body.String() && what != "5 minutes ahead" { // which GET does not know yet
			t.Errorf("%s: GET tells another set:\n%s\n%s", what, want, w.Body)
		}
	}
	w := m.send("S102", `{"id":"`+strings.Repeat("Z", 64)+`","readings":[`+reading(-5, "lying", 120, 70, 70, "")+`]}`)
	if w.Code != http.StatusCreated {
		t.Errorf("an id of 64, and nobody named = %d %s", w.Code, w.Body)
	}
}

// No patient is shut out: blocked by a fall with injury or a bleed, not ambulatory, with a limb that
// must not be measured. The assessment says so.
func TestASetOfADeviceIsRefusedForNoPatient(t *testing.T) {
	m, board := openDevice(t, "4W")
	list, err := m.d.Answers.Live(t.Context(), "4W", m.d.Clock())
	if err != nil {
		t.Fatal(err)
	}
	now, blocked := demo.AnchorTime(), 0
	board.Put(t, clinical.Version{
		Kind: clinical.KindRestriction, SourceID: "R-1", StayID: "S102", RecordedAt: now.Add(-time.Hour), Stated: true,
		Status: clinical.Final, Body: clinical.Restriction{Limb: "left arm", Reason: "fistula", StartedAt: now.Add(-time.Hour)},
	})
	for n, a := range list {
		stay := a.Digest.StayID
		if a.Recheck.State == "blocked" {
			blocked++
		}
		w := m.send(stay, setOf(fmt.Sprint("p", n), reading(-3, "lying", 130, 70, 70, ""), reading(-2, "standing", 128, 70, 72, "")))
		if early := now.Sub(m.stay(stay).AdmittedAt) < 3*time.Minute; w.Code != http.StatusCreated && !early {
			t.Errorf("%s (%s, not ambulatory %v) = %d %s", stay, a.Recheck.State, a.Digest.Stay.NotAmbulatory, w.Code, w.Body)
		}
		if stay == "S102" && !strings.Contains(w.Body.String(), `"restricted limb"`) {
			t.Errorf("the set on a restricted limb does not say so: %s", w.Body)
		}
	}
	if blocked == 0 {
		t.Error("nobody of the demo unit is blocked: nothing was shown")
	}
}

// A reading of a device without a figure counts as a cuff that could not read.
func TestADeviceThatCouldNotReadIsACuffThatCouldNot(t *testing.T) {
	m, _ := openDevice(t, "4W")
	body := setOf("c", fmt.Sprintf(`{"taken_at":%q,"position":"lying","limb":"left arm"}`, at(-3)))
	if w := m.send("S102", body); w.Code != http.StatusCreated {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	view, err := m.d.Answers.Stay(t.Context(), "S102", m.d.Clock())
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, r := range view.Chart.Records {
		if r.SourceID == "here-c-1" {
			found = r.CouldNotRead()
		}
	}
	if !found {
		t.Error("it is not known as a cuff that could not read")
	}
}

// A token reaches the unit where the stay is now, whatever moment the address names: not the one it
// came from, nor a stay that is not there; all of them are answered alike.
func TestADeviceOfTheUnitWhereTheStayIs(t *testing.T) {
	m, board := openDevice(t, "4W")
	body := goodSet("a")
	moved := m.stay("S102")
	moved.Unit = "7E"
	now := demo.AnchorTime()
	board.Put(t, clinical.Version{
		Kind: clinical.KindStay, SourceID: "S102", StayID: "S102", RecordedAt: now.Add(10 * time.Second), Stated: true,
		Status: clinical.Final, Body: moved,
	})
	gone := m.send("S000", body)
	for what, w := range map[string]*httptest.ResponseRecorder{
		"moved": m.send("S102", body), "another unit": m.send("S203", body), "none": gone,
		"moved, as of before": m.do("POST", "/api/v1/stays/S102/sets?as_of="+at(-5), body),
	} {
		if w.Code != http.StatusNotFound || w.Body.String() != gone.Body.String() {
			t.Errorf("%s = %d %s", what, w.Code, w.Body)
		}
	}
	there := auth.ParseAPIToken("of 7E", []string{"sets:write"}, []string{"7E"}, now.Add(time.Hour))
	secret, _, err := m.d.Tokens.Make(t.Context(), there, "root")
	if err != nil {
		t.Fatal(err)
	}
	m.secret = secret
	if w := m.do("POST", "/api/v1/stays/S102/sets?as_of=never", body); w.Code != http.StatusCreated {
		t.Errorf("with the token of the unit = %d %s", w.Code, w.Body)
	}
	if w := m.do("GET", "/api/v1/stays/S102/sets", ""); w.Code != http.StatusNotFound {
		t.Errorf("who may write may read too: %d", w.Code)
	}
}

// After the discharge a set that was taken before it is still taken in, and one at or after it is not.
func TestASetAtTheEndOfAStay(t *testing.T) {
	m, board := openDevice(t, "4W")
	now := demo.AnchorTime()
	left, ended := m.stay("S102"), now.Add(-5*time.Minute)
	left.DischargedAt = &ended
	board.Put(t, clinical.Version{
		Kind: clinical.KindStay, SourceID: "S102", StayID: "S102", RecordedAt: now, Stated: true, Status: clinical.Final, Body: left,
	})
	if w := m.send("S102", setOf("before", reading(-6, "lying", 120, 70, 70, ""))); w.Code != http.StatusCreated {
		t.Errorf("before = %d %s", w.Code, w.Body)
	}
	for id, minutes := range map[string]float64{"at": -5, "after": -4} {
		w := m.send("S102", setOf(id, reading(minutes, "lying", 120, 70, 70, "")))
		if got := faults(t, w); w.Code != http.StatusBadRequest || !slices.Equal(got, []string{"readings[0].taken_at"}) {
			t.Errorf("%s = %d %v", id, w.Code, got)
		}
	}
}

// Each request of a device stands in the audit once, with the set and what became of it, and without
// anything that was measured. What cannot be recorded is not stored.
func TestWhatADeviceSendsIsRecorded(t *testing.T) {
	full := false
	all, d := noted(t, func(records.AuditEntry) error {
		if full {
			return fmt.Errorf("the disk is full")
		}
		return nil
	})
	m := deviceOf(t, d, "4W")
	for n, step := range []struct{ stay, body, want string }{
		{"S102", goodSet("a"), "allowed unit=4W stay=S102 set here-a"},
		{"S102", goodSet("a"), "allowed unit=4W stay=S102 set here-a, sent again"},
		{"S101", goodSet("a"), "refused unit=4W stay=S101 set here-a, stored already with other content"},
		{"S102", strings.Replace(goodSet("b"), "142", "999", 1), "refused unit=4W stay=S102 set here-b, problems: 1"},
		{"S102", "{}", "refused unit=4W stay=S102 set a set without an id, problems: 2"},
		{"S203", goodSet("c"), "refused unit=7E stay=S203 "},
	} {
		m.send(step.stay, step.body)
		if len(*all) != n+1 {
			t.Fatalf("%s: %d entries, want %d", step.want, len(*all), n+1)
		}
		e := (*all)[n]
		got := fmt.Sprintf("%s unit=%s stay=%s %s", e.Outcome, e.Unit, e.Stay, e.Note)
		if got != step.want || e.Who != "token monitors" || e.Did != "change" || e.What != "POST /api/v1/stays/:stay/sets" || !e.AsOf.IsZero() {
			t.Errorf("%s by %s (%s %s), want %s", got, e.Who, e.Did, e.What, step.want)
		}
	}
	full = true
	if w := m.send("S102", goodSet("d")); w.Code != http.StatusServiceUnavailable {
		t.Errorf("without a record = %d", w.Code)
	}
	full = false
	if got := m.newestOf("S102", "here-d"); got != "" {
		t.Error("a set that could not be recorded is stored")
	}
}

// A token that sends too often waits; its reading, and others, do not.
func TestADeviceThatSendsTooOftenWaits(t *testing.T) {
	m, _ := openDevice(t, "4W")
	counts := map[int]int{}
	var waits []string
	for range auth.SendsAtOnce + 5 {
		w := m.send("S102", "")
		counts[w.Code]++
		if w.Code == http.StatusTooManyRequests {
			waits = append(waits, w.Header().Get("Retry-After"))
		}
	}
	if !maps.Equal(counts, map[int]int{400: auth.SendsAtOnce, 429: 5}) || !slices.Equal(slices.Compact(waits), []string{"1"}) {
		t.Errorf("answers %v, Retry-After %v", counts, waits)
	}
	if w := m.do("GET", "/api/v1/stays/S102/sets", ""); w.Code != http.StatusOK {
		t.Errorf("reading = %d", w.Code)
	}
}

// An echo from the record of what a device measured makes no second set, and a reading of a device says
// nothing of how fresh the feed is.
func TestASetOfADeviceIsTakenHere(t *testing.T) {
	m, board := openDevice(t, "4W")
	const half = 0.5 // of a minute from the demo's moment: by then the echo is known too
	fresh := func() any {
		var body struct {
			Newest string `json:"newest_vitals_at"`
		}
		w := get(signedIn(m.d), "/api/v1/units/4W/list?as_of="+at(half))
		if err := json.Unmarshal(w.Body.Bytes(), &body); err != nil {
			t.Fatal(err)
		}
		return body.Newest
	}
	before, sets := fresh(), len(m.setsAt("S102", half))
	if w := m.send("S102", goodSet("e")); w.Code != http.StatusCreated {
		t.Fatal(w.Body)
	}
	want := m.newestOf("S102", "here-e")
	p := func(v float64) *float64 { return &v }
	echo := func(n int, minutes float64, position clinical.Position, s, d, hr float64) clinical.Version {
		return clinical.Version{
			Kind: clinical.KindVitals, SourceID: fmt.Sprint("echo-", n), StayID: "S102", RecordedAt: demo.AnchorTime().Add(15 * time.Second),
			Stated: true, Status: clinical.Final, Body: clinical.Vitals{
				TakenAt:  demo.AnchorTime().Add(time.Duration(minutes * float64(time.Minute))).Add(20 * time.Second),
				Systolic: p(s), Diastolic: p(d), HeartRate: p(hr), Position: position,
			},
		}
	}
	board.Put(t, echo(1, -10, clinical.Lying, 142, 78, 70), echo(2, -9, clinical.Standing, 108, 66, 78), echo(3, -7, clinical.Standing, 112, 68, 80))
	after := m.setsAt("S102", half)
	if len(after) != sets+1 {
		t.Errorf("%d sets became %d", sets, len(after))
	}
	if !slices.ContainsFunc(after, func(s json.RawMessage) bool { return string(s) == want }) {
		t.Errorf("the echo changed the set:\n%s\n%s", after, want)
	}
	if after := fresh(); !reflect.DeepEqual(before, after) {
		t.Errorf("the newest reading of the feed moved from %v to %v", before, after)
	}
}
