package web_test

import (
	"context"
	"errors"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// desk is the program as an administrator sees it.
type desk struct {
	t       *testing.T
	deps    web.Deps
	board   *webtest.Answers
	handler http.Handler
	audited []records.AuditEntry
}

func newDesk(t *testing.T, change ...func(*web.Deps)) *desk {
	d, board := open(t)
	k := &desk{t: t, board: board}
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		if strings.HasPrefix(e.What, "POST /policy") {
			k.audited = append(k.audited, e)
		}
		return nil
	}
	for _, f := range change {
		f(&d)
	}
	k.deps, k.handler = d, webtest.As(web.New(d), "administrator")
	return k
}

func (k *desk) get(path string) string {
	k.t.Helper()
	w := get(k.handler, path)
	if w.Code != 200 {
		k.t.Fatalf("GET %s = %d", path, w.Code)
	}
	return html.UnescapeString(w.Body.String())
}

func (k *desk) post(path string, form url.Values) (int, string) {
	k.t.Helper()
	w := post(k.handler, path, form)
	return w.Code, html.UnescapeString(w.Body.String())
}

func post(h http.Handler, path string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

var control = regexp.MustCompile(`(?s)<input([^>]*)>|<select[^>]* name="([^"]*)"[^>]*>(.*?)</select>|<textarea[^>]* name="([^"]*)"[^>]*>\n?(.*?)</textarea>`)
var attribute = regexp.MustCompile(`([a-z]+)(?:="([^"]*)")?`)
var selected = regexp.MustCompile(`<option selected>([^<]*)<`)

// formIn reads the form of a page that goes to an address, as a browser would.
func formIn(t *testing.T, page, action string) url.Values {
	t.Helper()
	_, rest, found := strings.Cut(page, `action="`+action+`"`)
	if !found {
		t.Fatalf("there is no form to %s", action)
	}
	rest, _, _ = strings.Cut(rest, "</form>")
	form := url.Values{}
	for _, m := range control.FindAllStringSubmatch(rest, -1) {
		switch {
		case m[2] != "":
			form.Add(m[2], html.UnescapeString(selected.FindStringSubmatch(m[3])[1]))
		case m[4] != "":
			form.Add(m[4], html.UnescapeString(m[5]))
		default:
			at := map[string]string{}
			for _, a := range attribute.FindAllStringSubmatch(m[1], -1) {
				if _, twice := at[a[1]]; !twice {
					at[a[1]] = html.UnescapeString(a[2])
				}
			}
			if _, on := at["checked"]; at["type"] != "checkbox" || on {
				form.Add(at["name"], at["value"])
			}
		}
	}
	return form
}

func (k *desk) form(path, action string) url.Values {
	return formIn(k.t, get(k.handler, path).Body.String(), action)
}

// preview sends values and returns the form that saves them, and the page.
func (k *desk) preview(change map[string]string) (url.Values, string) {
	k.t.Helper()
	form := k.form("/policy", "/policy/preview")
	for path, value := range change {
		form.Set(path, value)
	}
	w := post(k.handler, "/policy/preview", form)
	if w.Code != 200 {
		k.t.Fatalf("preview of %v = %d: %s", change, w.Code, w.Body)
	}
	return formIn(k.t, w.Body.String(), "/policy"), html.UnescapeString(w.Body.String())
}

func (k *desk) save(change map[string]string) {
	k.t.Helper()
	form, _ := k.preview(change)
	form.Set("note", "agreed by the falls committee")
	if w := post(k.handler, "/policy", form); w.Code != 303 || w.Header().Get("Location") != "/policy?saved=1" {
		k.t.Fatalf("saving %v = %d: %s", change, w.Code, w.Body)
	}
}

// Later rechecks after positive sets, and the time in which they are due.
var later = map[string]string{"recheck.positive_hours": "60", "recheck.positive_stable_hours": "72", "recheck.due_within_hours": "1"}

func laterPolicy() clinical.Policy {
	p := clinical.DefaultPolicy()
	p.Recheck.PositiveHours, p.Recheck.PositiveStableHours, p.Recheck.DueWithinHours = 60, 72, 1
	return p
}

// tiers are the tiers of the demo's patients on a unit under a policy.
func (k *desk) tiers(p clinical.Policy, unit string) map[string]string {
	k.t.Helper()
	text, err := policy.Load([]byte(policy.Short(p)))
	if err != nil {
		k.t.Fatal(err)
	}
	s := assess.Service{Store: k.board.Store, Policy: text, Zone: k.board.Zone}
	list, err := s.List(k.t.Context(), unit, demo.AnchorTime())
	if err != nil {
		k.t.Fatal(err)
	}
	tiers := map[string]string{}
	for _, a := range list {
		tiers[a.Digest.StayID] = a.Tier
	}
	return tiers
}

func TestThePolicyIsShownInWords(t *testing.T) {
	k := newDesk(t)
	page := k.get("/policy")
	for _, want := range []string{
		"In force: the built-in policy", policy.Default().Hash, "Default: 4 h.", "Source: site policy. Range: 0.5 to 336 h.",
		`name="recheck.fall_hours" value="4"`, "recheck after a fall (h)", `<a href="/policy" aria-current="page">Policy</a>`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	// Every key is a field, and what the form sends unchanged is the policy in force.
	form := k.form("/policy", "/policy/preview")
	got, problems := policy.ReadForm(form)
	if got.Hash != policy.Default().Hash || len(problems) > 0 {
		t.Errorf("the form is another policy: %v", problems)
	}
	for path := range policy.Values(clinical.DefaultPolicy()) {
		if !form.Has(path) && path != "drugs.of_no_concern" {
			t.Errorf("the form has no field %s", path)
		}
	}
}

func TestAPreviewCountsWhoChangesTier(t *testing.T) {
	k := newDesk(t)
	_, page := k.preview(later)
	total := 0
	for _, unit := range []string{"4W", "7E"} {
		before, after := k.tiers(clinical.DefaultPolicy(), unit), k.tiers(laterPolicy(), unit)
		moves := map[string]int{}
		moved := 0
		for stay, from := range before {
			if to := after[stay]; to != from {
				moved++
				moves[fmt.Sprintf("from %s to %s", text.TierNames[from], text.TierNames[to])]++
			}
		}
		total += moved
		row := regexp.MustCompile(fmt.Sprintf(`<tr><td>%s</td><td>%d</td><td>%d</td><td>([^<]*)</td>`, unit, len(before), moved)).FindStringSubmatch(page)
		if row == nil {
			t.Fatalf("no row for unit %s with %d of %d", unit, moved, len(before))
		}
		if row[1] != "" != (moved > 0) || strings.Count(row[1], " from ") != len(moves) {
			t.Errorf("unit %s: %q, want %v", unit, row[1], moves)
		}
		for move, n := range moves {
			if !strings.Contains(row[1], fmt.Sprintf("%d %s", n, move)) {
				t.Errorf("unit %s: %q lacks %d %s", unit, row[1], n, move)
			}
		}
	}
	if total == 0 || !strings.Contains(page, fmt.Sprintf("<strong>%d</strong> of", total)) {
		t.Errorf("%d patients move; the page says otherwise", total)
	}
	for _, want := range []string{"60 h instead of 12 h", "72 h instead of 24 h", "1 h instead of 4 h", "Nothing is changed yet"} {
		if !strings.Contains(page, want) {
			t.Errorf("the preview lacks %q", want)
		}
	}
	if k.deps.Policy.Current().Hash != policy.Default().Hash {
		t.Error("a preview changed the policy")
	}
	// Nobody is named to an administrator.
	for _, unit := range []string{"4W", "7E"} {
		list, err := k.board.List(t.Context(), unit, demo.AnchorTime())
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			if d := a.Digest; strings.Contains(page, d.Stay.Name) || strings.Contains(page, d.StayID) || strings.Contains(page, d.Stay.PatientID) {
				t.Errorf("the preview names %s", d.StayID)
			}
		}
	}
}

func TestASavedPolicyIsInForceAtOnce(t *testing.T) {
	k := newDesk(t)
	nurse := webtest.As(web.New(k.deps), webtest.Everything)
	list := func() (hash, tiers, page string) {
		doc := get(nurse, "/api/v1/units/4W/list").Body.String()
		_, page, _ = strings.Cut(get(nurse, "/units/4W").Body.String(), "<main") // the footer holds the policy anyway
		return regexp.MustCompile(`"policy": ?"([0-9a-f]+)"`).FindStringSubmatch(doc)[1],
			strings.Join(regexp.MustCompile(`"tier": ?"[a-z_ ]+"`).FindAllString(doc, -1), " "), page
	}
	hashBefore, tiersBefore, pageBefore := list()
	contentBefore, _, _ := strings.Cut(pageBefore, "<footer")
	change := map[string]string{"plausible.systolic_min": "100"} // this one changes what is kept of each stay, too
	for path, value := range later {
		change[path] = value
	}
	k.save(change)
	want := k.deps.Policies.Current().Policy
	if want.Policy.Recheck.PositiveHours != 60 {
		t.Fatalf("in force: %+v", want.Policy.Recheck)
	}
	hash, tiers, page := list()
	if hash != want.Hash || hash == hashBefore || tiers == tiersBefore {
		t.Errorf("the list is by policy %s, want %s; tiers changed: %v", hash, want.Hash, tiers != tiersBefore)
	}
	live := get(nurse, "/api/v1/units/4W/list").Body.String()
	known := get(nurse, "/api/v1/units/4W/list?as_of="+demo.AnchorTime().UTC().Format("2006-01-02T15:04:05Z")).Body.String()
	if live != known {
		t.Error("the live list is not that of the facts under the policy in force")
	}
	if strings.HasPrefix(page, contentBefore) || !strings.Contains(page, "Policy "+want.Hash[:12]) {
		t.Error("the page of the list was kept from before the change")
	}
	if rules := get(nurse, "/rules").Body.String(); !strings.Contains(rules, want.Hash) || !strings.Contains(rules, "60 h") {
		t.Error("the rules do not speak of the policy in force")
	}
	if shown := k.get("/policy?saved=1"); !strings.Contains(shown, "In force: version 1") || !strings.Contains(shown, "by administrator: agreed by the falls committee") ||
		!strings.Contains(shown, "60 h instead of 12 h") || !strings.Contains(shown, "is changed and in force") {
		t.Error("the policy's page does not say what was saved")
	}
	var outcomes []string
	for _, e := range k.audited {
		if e.Who != "administrator" || e.Did != audit.Manage || e.What != "POST /policy" || e.From != "127.0.0.1" || e.Note != "agreed by the falls committee" || e.At.IsZero() {
			t.Errorf("audited %+v", e)
		}
		outcomes = append(outcomes, e.Outcome)
	}
	if diff := cmp.Diff([]string{"asked for policy " + want.Hash[:12], "in force as version 1"}, outcomes); diff != "" {
		t.Errorf("audited (-want +got):\n%s", diff)
	}
}

func TestWhatIsWrongIsNamed(t *testing.T) {
	k := newDesk(t)
	form := k.form("/policy", "/policy/preview")
	form.Set("recheck.fall_hours", "999")
	form.Set("recheck.at_risk_age", "sixty")
	form.Set("recheck.positive_hours", "48") // no longer than positive_stable_hours
	form.Add("precautions.bundle", "prayer")
	status, page := k.post("/policy/preview", form)
	if status != 422 {
		t.Fatalf("a wrong form = %d", status)
	}
	for _, want := range []string{
		`"999": out of range (allowed: 0.5 to 336 h)`, `"sixty": not a plain number`, "a whole number, 18 to 120 years", "recheck.positive_stable_hours",
		`"prayer"`, `name="recheck.fall_hours" value="999"`, `name="recheck.at_risk_age" value="sixty"`, `aria-invalid="true"`, `href="#k-recheck-fall_hours"`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	status, page = k.post("/policy/preview", url.Values{"yaml": {"recheck:\n  fall_hours: 999\n  <b>: 1\n"}})
	if status != 422 || !strings.Contains(page, `line 2: recheck.fall_hours: "999": out of range (allowed: 0.5 to 336 h)`) || !strings.Contains(page, "line 3: ") {
		t.Errorf("a wrong file = %d", status)
	}
	if raw := post(k.handler, "/policy/preview", url.Values{"yaml": {"<b>: 1"}}).Body.String(); strings.Contains(raw, "<b>") {
		t.Error("what was typed is not escaped")
	}
	if status, _ := k.post("/policy", url.Values{"yaml": {"recheck: {fall_hours: 999}"}, "note": {"n"}}); status != 422 {
		t.Errorf("a wrong policy was saved: %d", status)
	}
	if k.deps.Policies.Current().Version.Number != 0 {
		t.Error("something was saved")
	}
}

func TestNothingIsSavedUnseenOrWithoutANote(t *testing.T) {
	k := newDesk(t)
	form, _ := k.preview(later)
	if status, page := k.post("/policy", form); status != 422 || !strings.Contains(page, "A note is missing") || !strings.Contains(page, "60 h instead of 12 h") {
		t.Errorf("without a note = %d", status)
	}
	form.Set("note", "n")
	for name, change := range map[string]func(url.Values){
		"without a preview": func(f url.Values) { f.Del("seen") },
		"other values than those of the preview": func(f url.Values) {
			f.Set("yaml", strings.Replace(f.Get("yaml"), "positive_hours: 60", "positive_hours: 61", 1))
		},
	} {
		wrong := url.Values{}
		for key, values := range form {
			wrong[key] = values
		}
		change(wrong)
		if status, page := k.post("/policy", wrong); status != 422 || !strings.Contains(page, "was not seen before saving") {
			t.Errorf("%s = %d", name, status)
		}
	}
	unchanged, page := k.preview(nil)
	unchanged.Set("note", "n")
	if status, after := k.post("/policy", unchanged); status != 422 || !strings.Contains(page, "None: the values are those in force") || !strings.Contains(after, "Nothing changes") {
		t.Errorf("an unchanged policy = %d", status)
	}
	if k.deps.Policies.Current().Version.Number != 0 {
		t.Error("something was saved")
	}
	for _, e := range k.audited {
		if strings.HasPrefix(e.Outcome, "in force") {
			t.Errorf("audited %+v", e)
		}
	}
}

func TestAConflictSaysWhoChangedWhat(t *testing.T) {
	k := newDesk(t)
	mine, _ := k.preview(later)
	mine.Set("note", "mine")
	stale := k.form("/policy", "/policy/preview")
	stale.Set("recheck.drug_hours", "30")
	k.save(map[string]string{"recheck.fall_hours": "6"})

	status, page := k.post("/policy", mine)
	for _, want := range []string{"was changed since you began", "version 1", "by administrator: agreed by the falls committee", "6 h instead of 4 h", "4 h instead of 6 h", `value="mine"`} {
		if status != 409 || !strings.Contains(page, want) {
			t.Errorf("a conflict = %d, lacks %q", status, want)
		}
	}
	if k.deps.Policies.Current().Version.Number != 1 {
		t.Error("the conflict was saved")
	}
	// A form that was opened before is told with its preview.
	if status, page := k.post("/policy/preview", stale); status != 200 || !strings.Contains(page, "was changed since you began") {
		t.Errorf("a preview of an older form = %d", status)
	}
	// Having seen both, it may be saved over the other one.
	w := post(k.handler, "/policy", mine)
	again := formIn(t, w.Body.String(), "/policy")
	if status, _ := k.post("/policy", again); status != 303 || k.deps.Policies.Current().Version.Number != 2 {
		t.Errorf("saved after the conflict was seen = %d", status)
	}
}

func TestReturnToAnEarlierVersion(t *testing.T) {
	k := newDesk(t)
	k.save(later)
	k.save(map[string]string{"recheck.fall_hours": "6"})
	page := k.get("/policy/versions/1")
	for _, want := range []string{"60 h instead of 12 h", "4 h instead of 6 h", "by administrator"} {
		if !strings.Contains(page, want) {
			t.Errorf("version 1 lacks %q", want)
		}
	}
	if strings.Contains(page, "%!") {
		t.Error("a sentence of version 1 got what it has no place for")
	}
	if page := k.get("/policy/versions/2"); strings.Contains(page, "What a return to it changes") || !strings.Contains(page, "In force.") {
		t.Error("the version in force offers a return")
	}
	for _, number := range []string{"1", "0"} {
		w := post(k.handler, "/policy/preview", k.form("/policy/versions/"+number, "/policy/preview"))
		if w.Code != 200 || !strings.Contains(w.Body.String(), "What a return to") {
			t.Fatalf("preview of a return to %s = %d", number, w.Code)
		}
		form := formIn(t, w.Body.String(), "/policy/return")
		if status, _ := k.post("/policy/return", form); status != 422 {
			t.Errorf("a return without a note = %d", status)
		}
		form.Set("note", "too many alerts")
		if status, page := k.post("/policy/return", form); status != 303 {
			t.Fatalf("return to %s = %d: %s", number, status, page)
		}
	}
	if got := k.deps.Policies.Current(); got.Policy.Hash != policy.Default().Hash || got.Version.Number != 4 || !got.Version.BuiltIn() {
		t.Errorf("in force: %+v", got.Version)
	}
	if page := k.get("/policy"); !strings.Contains(page, "(returns to version 1)") || !strings.Contains(page, "(returns to the built-in policy)") {
		t.Error("the versions do not say what they return to")
	}
	last := k.audited[len(k.audited)-1]
	if last.What != "POST /policy/return" || last.Outcome != "in force as version 4" || last.Note != "too many alerts" {
		t.Errorf("audited %+v", last)
	}
	for _, path := range []string{"/policy/versions/9", "/policy/versions/-1", "/policy/versions/x"} {
		if w := get(k.handler, path); w.Code != 404 {
			t.Errorf("GET %s = %d", path, w.Code)
		}
	}
	if status, _ := k.post("/policy/return", url.Values{"number": {"9"}, "note": {"n"}}); status != 404 {
		t.Errorf("a return to a version that is not there = %d", status)
	}
	if status, _ := k.post("/policy", url.Values{"number": {"1"}, "note": {"n"}}); status != 422 {
		t.Errorf("a return by the way of a change = %d", status)
	}
}

func TestAPreviewGoesBackIntoTheForm(t *testing.T) {
	k := newDesk(t)
	form := k.form("/policy", "/policy/preview")
	form.Set("recheck.fall_hours", "6.5")
	form.Set("drugs.of_no_concern", "zinc\r\n\r\n vitamin C \r\n")
	form["precautions.bundle"] = []string{"gait belt", "sitter"}
	w := post(k.handler, "/policy/preview", form)
	_, rest, _ := strings.Cut(w.Body.String(), `action="/policy"`)
	edit := formIn(t, rest, "/policy/preview")
	if edit.Get("edit") == "" {
		t.Fatal("there is no way back into the form")
	}
	again := formIn(t, post(k.handler, "/policy/preview", edit).Body.String(), "/policy/preview")
	if again.Get("recheck.fall_hours") != "6.5" || again.Get("drugs.of_no_concern") != "zinc\nvitamin C" || strings.Join(again["precautions.bundle"], ",") != "gait belt,sitter" {
		t.Errorf("back in the form: %v", again)
	}
}

func TestAPolicyFileIsNotChangedHere(t *testing.T) {
	k := newDesk(t, func(d *web.Deps) { d.Policies.File = "site.yaml" })
	page := k.get("/policy")
	if !strings.Contains(page, "The policy file site.yaml is in force") || strings.Contains(page, "<form method=\"post\" action=\"/policy") || !strings.Contains(page, "recheck.fall_hours") {
		t.Error("the page does not say that the file is the policy")
	}
	for _, path := range []string{"/policy", "/policy/preview", "/policy/return"} {
		if status, page := k.post(path, url.Values{"number": {"0"}}); status != 409 || !strings.Contains(page, "site.yaml") {
			t.Errorf("POST %s = %d", path, status)
		}
	}
}

func TestPolicyIsForAdministrators(t *testing.T) {
	k := newDesk(t)
	form, _ := k.preview(later)
	form.Set("note", "n")
	h := web.New(k.deps)
	for _, role := range []string{"bedside-nurse", "falls-nurse", "unit-manager", "pharmacist", "screen"} {
		as := webtest.As(h, role)
		if w := post(as, "/policy", form); w.Code != 403 {
			t.Errorf("saved as %s = %d", role, w.Code)
		}
		if w := get(as, "/policy"); w.Code != 403 || strings.Contains(w.Body.String(), `href="/policy"`) {
			t.Errorf("GET /policy as %s = %d", role, w.Code)
		}
	}
	cross := httptest.NewRequest(http.MethodPost, "/policy", strings.NewReader(form.Encode()))
	cross.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	cross.Header.Set("Sec-Fetch-Site", "cross-site")
	w := httptest.NewRecorder()
	k.handler.ServeHTTP(w, cross)
	if w.Code != 403 || k.deps.Policies.Current().Version.Number != 0 {
		t.Errorf("from another site = %d", w.Code)
	}
}

// restless puts another policy in force whenever it is asked for a list.
type restless struct {
	web.Answers
	inForce *policy.Switch
	other   policy.Loaded
}

func (b restless) Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error) {
	b.inForce.Set(b.other)
	return b.Answers.Live(ctx, unit, now)
}

// An answer and the policy that it names belong together, though the policy in
// force changes while it is made.
func TestAnAnswerIsByThePolicyThatItNames(t *testing.T) {
	k := newDesk(t)
	other, err := policy.Load([]byte(policy.Short(laterPolicy())))
	if err != nil {
		t.Fatal(err)
	}
	inForce := k.deps.Policy.(*policy.Switch)
	answer := func() string {
		return get(webtest.As(web.New(k.deps), webtest.Everything), "/api/v1/units/4W/list").Body.String()
	}
	first := answer()
	inForce.Set(other)
	second := answer()
	inForce.Set(policy.Default())
	k.deps.Answers = restless{k.deps.Answers, inForce, other}
	if got := answer(); got != first || first == second {
		t.Error("the answer is by another policy than the one in force when it was asked for")
	}
	if got := answer(); got != second {
		t.Error("the next answer is not by the policy in force then")
	}
}

// What cannot be audited is not done.
func TestAChangeThatCannotBeAuditedIsRefused(t *testing.T) {
	k := newDesk(t, func(d *web.Deps) {
		d.Note = func(_ context.Context, e records.AuditEntry) error {
			if e.Did == audit.Manage {
				return errors.New("full")
			}
			return nil
		}
	})
	form, _ := k.preview(later)
	form.Set("note", "n")
	if status, _ := k.post("/policy", form); status != 503 || k.deps.Policies.Current().Version.Number != 0 {
		t.Errorf("without an audit = %d", status)
	}
}

// Of many who save at once from the same page one does, and readers see one policy
// in each answer. Meant for the race detector too.
func TestSavesAtOnce(t *testing.T) {
	drill.Long(t)
	k := newDesk(t, func(d *web.Deps) { d.Note = nil })
	var hands sync.WaitGroup
	codes := make([]int, 6)
	reader := webtest.As(web.New(k.deps), webtest.Everything)
	forms := make([]url.Values, len(codes))
	for n := range forms {
		forms[n], _ = k.preview(map[string]string{"recheck.fall_hours": fmt.Sprint(10 + n)})
		forms[n].Set("note", "n")
	}
	for n, form := range forms {
		hands.Go(func() { codes[n] = post(k.handler, "/policy", form).Code })
		hands.Go(func() {
			for range 5 {
				page := get(reader, "/rules").Body.String()
				if hash := regexp.MustCompile(`class="ids"><span class="charted">([0-9a-f]{64})<`).FindStringSubmatch(page)[1]; !strings.Contains(page, "Policy "+hash[:12]) {
					t.Error("a page is made by two policies")
				}
			}
		})
		hands.Go(func() { get(reader, "/units/4W") })
	}
	hands.Wait()
	count := map[int]int{}
	for _, code := range codes {
		count[code]++
	}
	if count[303] != 1 || count[409] != len(codes)-1 || k.deps.Policies.Current().Version.Number != 1 {
		t.Errorf("answers %v", codes)
	}
	if _, err := k.deps.Policies.Save(t.Context(), policy.Default(), policybook.Change{After: 1, Seen: policy.Default().Hash, Who: "x", Note: "n"}); err != nil {
		t.Error(err)
	}
}
