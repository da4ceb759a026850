package web_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"

	"plumbline/internal/audit"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/dosereview"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/doses"
	"plumbline/internal/web/webtest"
)

// reviewing is the program as the pharmacist of unit 4W sees it.
func reviewing(d web.Deps) http.Handler { return webtest.As(web.New(d), "pharmacist") }

var (
	rowOf     = regexp.MustCompile(`<article class="stayrow[^"]*" aria-labelledby="s-([^"]+)"`)
	sectionOf = regexp.MustCompile(`(?s)<section class="place" aria-labelledby="([^"]+)">(.*?)</section>`)
	hiddenOf  = regexp.MustCompile(`<input type="hidden" name="(after|seen)" value="([^"]*)">`)
)

// queueIn reads the stays of each place off the queue.
func queueIn(t *testing.T, h http.Handler, path string) map[string][]string {
	t.Helper()
	w := get(h, path)
	if w.Code != 200 {
		t.Fatalf("%s = %d", path, w.Code)
	}
	out := map[string][]string{}
	for _, section := range sectionOf.FindAllStringSubmatch(w.Body.String(), -1) {
		for _, row := range rowOf.FindAllStringSubmatch(section[2], -1) {
			out[section[1]] = append(out[section[1]], row[1])
		}
	}
	return out
}

// reviewFormIn reads the hidden fields of the form of a review, and fills in the others.
func reviewFormIn(t *testing.T, h http.Handler, stay string, fields ...string) url.Values {
	t.Helper()
	body := get(h, "/dose-review/"+stay).Body.String()
	form := url.Values{"outcome": {"suggested"}, "look_again_on": {"2026-11-05"}}
	found := hiddenOf.FindAllStringSubmatch(body, -1)
	if len(found) != 2 {
		t.Fatalf("the page of %s has %d hidden fields", stay, len(found))
	}
	for _, f := range found {
		form.Set(f[1], f[2])
	}
	for n := 0; n+1 < len(fields); n += 2 {
		form.Set(fields[n], fields[n+1])
	}
	return form
}

func TestTheQueueHoldsTheFlaggedStaysOfTheAccountInListOrder(t *testing.T) {
	d, board := open(t)
	got := queueIn(t, reviewing(d), "/dose-review")
	list, err := board.Live(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]string{}
	for _, a := range list {
		switch {
		case len(a.Review.Flags) == 0:
		case a.Review.Needed:
			want["to_review"] = append(want["to_review"], a.Digest.StayID)
		default:
			want["flagged"] = append(want["flagged"], a.Digest.StayID)
		}
	}
	if diff := cmp.Diff(want, got); diff != "" || len(want["to_review"]) < 3 || len(want["flagged"]) < 3 {
		t.Errorf("the queue (-want +got):\n%s", diff)
	}
}

func TestTheQueueIsFilteredByUnitDrugAndDrop(t *testing.T) {
	d, _ := open(t)
	h := reviewing(d)
	onAlpha := map[string]string{"/dose-review?drug=alpha-blocker": "S103 S122", "/dose-review?drug=doxa": "S103 S122",
		"/dose-review?drug=alpha-1+blocker&dropped=1": "S103", "/dose-review?drug=alpha-blocker&unit=4W": "S103 S122", "/dose-review?drug=zzz": "",
		// Drugs that make a fall bleed are found too, by kind, name and trade name.
		"/dose-review?drug=anticoagulant": "S102", "/dose-review?drug=enoxa": "S102", "/dose-review?drug=Clexane": "S102"}
	for path, want := range onAlpha {
		var all []string
		for _, stays := range queueIn(t, h, path) {
			all = append(all, stays...)
		}
		slices.Sort(all)
		if got := strings.Join(all, " "); got != want {
			t.Errorf("%s shows %q, want %q", path, got, want)
		}
	}
	// The answers of one question add up, questions narrow, and what is not known is left out.
	shown := func(path string) (out []string) {
		for _, stays := range queueIn(t, h, path) {
			out = append(out, stays...)
		}
		slices.Sort(out)
		return out
	}
	all, alpha, loop := shown("/dose-review"), shown("/dose-review?group=alpha-1+blocker"), shown("/dose-review?group=loop+diuretic")
	both := slices.Compact(slices.Sorted(slices.Values(append(slices.Clone(alpha), loop...))))
	for path, want := range map[string][]string{
		"/dose-review?group=alpha-1+blocker&group=loop+diuretic": both, "/dose-review?flag=nonsense&group=x": all,
		"/dose-review?flag=D-ALPHA": {"S103", "S122"}, "/dose-review?flag=D-ALPHA&group=loop+diuretic": nil,
	} {
		if got := shown(path); !slices.Equal(got, want) {
			t.Errorf("%s shows %v, want %v", path, got, want)
		}
	}
	if body := get(h, "/dose-review?flag=D-ALPHA").Body.String(); !strings.Contains(body, fmt.Sprintf("2 of %d shown, %d hidden: flag: alpha-1 blocker", len(all), len(all)-2)) {
		t.Error("a filter does not say what it hides")
	}
	for _, unit := range []string{"7E", "nowhere"} { // alike, whether there is one
		if w := get(h, "/dose-review?unit="+unit); w.Code != 404 {
			t.Errorf("unit %s = %d", unit, w.Code)
		}
	}
	if body := get(h, "/dose-review?drug=zzz").Body.String(); !strings.Contains(body, "No patient of the queue is shown by this filter") {
		t.Error("an empty answer does not say what to do")
	}
}

// A load is a part of the truth where drugs were left out of it or not known: the row
// that tells it says so.
func TestTheQueueSaysWhatItsLoadLeavesOut(t *testing.T) {
	d, board := open(t)
	at := demo.AnchorTime().Add(-time.Hour)
	for id, drug := range map[string]string{"X-1": "prazosin", "X-2": "Unheardofine <b>"} {
		board.Put(t, clinical.Version{
			Kind: clinical.KindDose, SourceID: id, StayID: "S108", RecordedAt: at, Stated: true, Status: clinical.Completed,
			Body: clinical.Dose{Drug: clinical.Drug{Text: drug}, GivenAt: at},
		})
	}
	body := get(reviewing(d), "/dose-review").Body.String()
	_, row, _ := strings.Cut(body, `aria-labelledby="s-S108"`)
	row, _, _ = strings.Cut(row, "</article>")
	holds(t, row, "3.67 DDD given in the last 24 h", "Left out of the load, for want of an amount or a DDD: prazosin.", "Not recognised, so not judged: Unheardofine &lt;b&gt;.")
}

func TestThePageOfAReviewSaysWhatThePharmacistNeeds(t *testing.T) {
	d, _ := open(t)
	body := get(reviewing(d), "/dose-review/S108").Body.String()
	for _, want := range []string{
		"126/70", "96/62", // the latest set
		"furosemide raised", "40 mg a day", "80 mg a day (2 DDD)", "1 dose, 80 mg (2 DDD)", // change, order, doses
		"23 h 21 min",                               // last dose to the positive set
		"moved together: drop &#43;15 mmHg", "p = ", // shift with p
		"too few sets for an interval", "3 sets before, 4 after",
		"−1,610 mL", "−3.7 kg", // fluid and weight
		`href="/rules#D-DRY"`, "net fluid −3,140 mL in 48 h", // flags with figures
		"3.67 DDD given in the last 24 h", "recommends a dose", `href="/stays/S108"`,
	} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
}

func TestARecordedReviewMovesTheStayAndEndsItsEpisode(t *testing.T) {
	all, d := noted(t, kept)
	owed(t, d, "4W")
	h := reviewing(d)
	form := reviewFormIn(t, h, "S103", "note", "asked Dr <b>X</b>\r\nto look")
	before := len(*all)
	w := post(h, "/dose-review/S103", form)
	if w.Code != 303 || w.Header().Get("Location") != "/dose-review/S103?recorded=1" {
		t.Fatalf("POST = %d to %q", w.Code, w.Header().Get("Location"))
	}
	histories, err := d.Episodes.Stay(t.Context(), "S103")
	if err != nil {
		t.Fatal(err)
	}
	at := slices.IndexFunc(histories, func(h care.History) bool { return h.Episode.Kind == episodes.DoseReview })
	if at < 0 {
		t.Fatal("no episode asked for the review")
	}
	if e := histories[at].Episode; e.State != episodes.Done || e.Ending != episodes.ByPerson || e.Who != "pharmacist" || e.Reason != episodes.ProviderTold {
		t.Errorf("its episode is %+v", e)
	}
	if said := fmt.Sprintf("%+v", histories[at]); strings.Contains(said, "asked Dr") || !strings.Contains(said, "a dose review was recorded: suggestion made to the prescriber") {
		t.Errorf("its episode says %s", said)
	}
	var notes []string
	for _, e := range (*all)[before:] {
		notes = append(notes, string(e.Did)+" "+e.Unit+" "+e.Stay+" "+e.Outcome+" "+e.Note)
	}
	if diff := cmp.Diff([]string{"change 4W S103 allowed ", "change 4W S103 recorded dose review: suggestion made to the prescriber"}, notes); diff != "" {
		t.Errorf("the audit: %s", diff)
	}
	kept, err := d.DoseReviews.DoseReviewsOf(t.Context(), []string{"S103"}, d.Clock())
	if err != nil || len(kept["S103"]) != 1 {
		t.Fatal(kept, err)
	}
	r := kept["S103"][0]
	if r.Number != 1 || r.AccountID == 0 || r.Who != "pharmacist" || r.Note != "asked Dr <b>X</b>\nto look" || r.LookAgain != "2026-11-05" ||
		len(r.Evidence.Flags) != 3 || r.Evidence.Flags[0].Rule != "D-ALPHA" || len(r.Evidence.Flags[0].Facts) == 0 {
		t.Errorf("recorded: %+v", r)
	}
	got := queueIn(t, h, "/dose-review")
	if !slices.Contains(got["reviewed"], "S103") || slices.Contains(got["to_review"], "S103") {
		t.Errorf("the queue is %v", got)
	}
	for _, path := range []string{"/dose-review/S103?recorded=1", "/stays/S103"} {
		body := get(h, path).Body.String()
		for _, want := range []string{"suggestion made to the prescriber", "asked Dr &lt;b&gt;X&lt;/b&gt;\nto look", "Thu 5 Nov 2026", "D-ALPHA, D-DRY, D-RECENT"} {
			if !strings.Contains(body, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
	}
	if body := get(h, "/dose-review/S103?as_of=2026-11-02T09:59:00Z").Body.String(); strings.Contains(body, "asked Dr") || strings.Contains(body, "<form") {
		t.Error("before it the review stands already, or one can be recorded")
	}
}

// leaving hangs up as soon as a review is kept.
type leaving struct {
	doses.DoseReviews
	leave func()
}

func (l leaving) AddDoseReview(ctx context.Context, r records.DoseReview, after int64) (records.DoseReview, error) {
	defer l.leave()
	return l.DoseReviews.AddDoseReview(ctx, r, after)
}

// heeding is a store of episodes that stops when the request does, as a database does.
type heeding struct{ care.Store }

func (h heeding) EpisodesOfStay(ctx context.Context, stay string) ([]records.Episode, error) {
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	return h.Store.EpisodesOfStay(ctx, stay)
}

// Who presses twice, or leaves, cuts the first request off: what was owed ends with the
// review all the same.
func TestARecordedReviewEndsItsEpisodeThoughTheBrowserLeaves(t *testing.T) {
	_, d := noted(t, kept)
	owed(t, d, "4W")
	d.Episodes.Store = heeding{d.Episodes.Store}
	ctx, leave := context.WithCancel(t.Context())
	form := reviewFormIn(t, reviewing(d), "S103")
	d.DoseReviews = leaving{d.DoseReviews, leave}
	r := httptest.NewRequest("POST", "/dose-review/S103", strings.NewReader(form.Encode())).WithContext(ctx)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	ask(reviewing(d), r)
	if ctx.Err() == nil {
		t.Fatal("no review was kept")
	}
	histories, err := d.Episodes.Stay(t.Context(), "S103")
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range histories {
		if h.Episode.Kind == episodes.DoseReview && h.Episode.State == episodes.Done {
			return
		}
	}
	t.Error("the review is kept, and what asked for it is still owed")
}

func TestWhatCannotBeRecordedComesBackAsItWasTyped(t *testing.T) {
	d, _ := open(t)
	h := reviewing(d)
	for name, c := range map[string]struct {
		change []string
		status int
		says   string
	}{
		"no outcome":            {[]string{"outcome", ""}, 422, "Choose an outcome."},
		"no outcome of these":   {[]string{"outcome", "stop it"}, 422, "Choose an outcome."},
		"other without a note":  {[]string{"outcome", "other", "note", " "}, 422, "Say in the note"},
		"a long note":           {[]string{"note", strings.Repeat("n", dosereview.MaxNote+1)}, 422, "longer than 1000 characters"},
		"no day":                {[]string{"look_again_on", "soon"}, 422, "Give the day"},
		"today":                 {[]string{"look_again_on", "2026-11-02"}, 422, "after today"},
		"next year":             {[]string{"look_again_on", "2027-11-05"}, 422, "within 90 days"},
		"evidence that moved":   {[]string{"seen", "0011223344556677"}, 409, "something else has come in"},
		"a review that is late": {[]string{"after", "3"}, 409, "somebody else has recorded"},
		"a form of no page":     {[]string{"after", "-3"}, 409, "somebody else has recorded"},
	} {
		t.Run(name, func(t *testing.T) {
			form := reviewFormIn(t, h, "S103", append([]string{"note", "what I typed"}, c.change...)...)
			w := post(h, "/dose-review/S103", form)
			body := w.Body.String()
			if w.Code != c.status || !strings.Contains(body, c.says) {
				t.Errorf("= %d, says %q: %v", w.Code, c.says, strings.Contains(body, c.says))
			}
			if note := strings.TrimSpace(form.Get("note")); note != "" && !strings.Contains(body, note+"</textarea>") {
				t.Error("the note is gone")
			}
			if day := form.Get("look_again_on"); !strings.Contains(body, `value="`+day+`"`) {
				t.Error("the day is gone")
			}
			if o := form.Get("outcome"); o == "suggested" && !strings.Contains(body, `value="suggested" required checked`) {
				t.Error("the outcome is gone")
			}
		})
	}
	if w := post(h, "/dose-review/S103?as_of=2026-11-01T00:00:00Z", reviewFormIn(t, h, "S103")); w.Code != 422 {
		t.Errorf("a review of another moment = %d", w.Code)
	}
	kept, err := d.DoseReviews.DoseReviewsOf(t.Context(), []string{"S103"}, d.Clock())
	if err != nil || len(kept) != 0 {
		t.Errorf("recorded all the same: %v, %v", kept, err)
	}
	form := reviewFormIn(t, h, "S103")
	if first, twice := post(h, "/dose-review/S103", form), post(h, "/dose-review/S103", form); first.Code != 303 || twice.Code != 303 || twice.Header().Get("Location") != first.Header().Get("Location") {
		t.Errorf("the same form twice = %d and %d", first.Code, twice.Code)
	}
	if kept, err := d.DoseReviews.DoseReviewsOf(t.Context(), []string{"S103"}, d.Clock()); err != nil || len(kept["S103"]) != 1 {
		t.Errorf("the same form twice is recorded as %v, %v", kept, err)
	}
	form.Set("note", "another")
	if w := post(h, "/dose-review/S103", form); w.Code != 409 {
		t.Errorf("another review from a form that is out of date = %d", w.Code)
	}
}

func TestNewEvidenceAndTheDayBringAStayBack(t *testing.T) {
	d, board := open(t)
	h := reviewing(d)
	view, err := board.Stay(t.Context(), "S108", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	evidence := dosereview.EvidenceOf(view.Assessment)
	after := int64(0)
	record := func(day string, e records.DoseEvidence) {
		t.Helper()
		r := records.DoseReview{StayID: "S108", Who: "pia", At: d.Clock().Add(-time.Hour), Outcome: dosereview.NoChange, LookAgain: day, Evidence: e}
		if _, err := d.DoseReviews.AddDoseReview(t.Context(), r, after); err != nil {
			t.Fatal(err)
		}
		after++
	}
	place := func() string {
		for name, stays := range queueIn(t, h, "/dose-review") {
			if slices.Contains(stays, "S108") {
				return name
			}
		}
		return ""
	}
	record("2026-11-09", evidence)
	if got := place(); got != "reviewed" {
		t.Errorf("with nothing new it stands in %q", got)
	}
	record("2026-11-02", evidence)
	if got := place(); got != "to_review" || !strings.Contains(get(h, "/dose-review").Body.String(), "The day to look again has come.") {
		t.Errorf("on its day it stands in %q", got)
	}
	fewer := evidence
	fewer.Positive = fewer.Positive[:3] // of the first positive set
	record("2026-11-09", fewer)
	if got := place(); got != "to_review" || !strings.Contains(get(h, "/dose-review/S108").Body.String(), "Positive set of 2 Nov 01:40") {
		t.Errorf("with another positive set it stands in %q", got)
	}
}

func TestTheExportIsAuditedAndWhole(t *testing.T) {
	all, d := noted(t, kept)
	h := reviewing(d)
	before := len(*all)
	w := get(h, "/dose-review.csv?drug=alpha-blocker")
	lines := readCSV(t, w.Body)
	if len(lines) != 3 || !strings.HasPrefix(w.Header().Get("Content-Disposition"), `attachment; filename="dose-review-stays-`) {
		t.Fatalf("%d lines, %v", len(lines), w.Header())
	}
	column := func(name string) string { return lines[1][slices.Index(lines[0], name)] }
	if column("stay") != "S103" || column("systolic drop mmHg") != "40" || column("latest set at") != "2026-11-02T01:10:00-06:00" || column("reviewed at") != "" {
		t.Errorf("the row is %q", lines[1])
	}
	var seen []string
	for _, e := range (*all)[before:] {
		if e.Stay != "" {
			seen = append(seen, string(e.Did)+" "+e.Unit+" "+e.Stay+" "+e.Note)
		}
	}
	if diff := cmp.Diff([]string{"export 4W S103 dose review export", "export 4W S122 dose review export"}, seen); diff != "" {
		t.Errorf("the audit: %s", diff)
	}

	before = len(*all)
	if w := get(h, "/dose-review.csv?unit=7E"); w.Code != 404 || len(*all) != before+1 || (*all)[before].Outcome != "refused" || (*all)[before].Unit != "7E" {
		t.Errorf("another unit = %d, and the audit says %+v", w.Code, (*all)[before:])
	}

	w = get(h, "/dose-review.xlsx")
	book, err := excelize.OpenReader(bytes.NewReader(w.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	if diff := cmp.Diff([]string{"about", "stays", "flags", "drugs", "last given", "changes"}, book.GetSheetList()); diff != "" {
		t.Error(diff)
	}
	for sheet, least := range map[string]int{"about": 8, "stays": 13, "flags": 20, "drugs": 20, "last given": 20, "changes": 4} {
		if rows, err := book.GetRows(sheet); err != nil || len(rows) < least {
			t.Errorf("%s has %d rows, want %d: %v", sheet, len(rows), least, err)
		}
	}
	for _, path := range []string{"/dose-review.csv?table=flags", "/dose-review.csv?table=drugs", "/dose-review.csv?table=changes"} {
		w := get(h, path)
		if lines, err := csv.NewReader(w.Body).ReadAll(); err != nil || len(lines) < 4 {
			t.Errorf("%s: %d lines, %v", path, len(lines), err)
		}
	}
	if w := get(h, "/dose-review.csv?table=accounts"); w.Code != 404 {
		t.Errorf("a table that is none = %d", w.Code)
	}
}

// What cannot be recorded is neither shown nor sent.
func TestNoQueueWithoutARecord(t *testing.T) {
	full := false
	_, d := noted(t, func(e records.AuditEntry) error {
		if full && e.Did != audit.SignIn {
			return errors.New("the disk is full")
		}
		return nil
	})
	h := reviewing(d)
	full = true
	for _, path := range []string{"/dose-review", "/dose-review/S103", "/dose-review.csv", "/dose-review.xlsx"} {
		if w := get(h, path); w.Code != 503 || strings.Contains(w.Body.String(), "S103") {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
}

// A fault of the reviews is told, and nothing is shown without them: a stay would
// seem not reviewed.
func TestAQueueWhoseReviewsCannotBeReadIsNotShown(t *testing.T) {
	d, _ := open(t)
	d.DoseReviews = brokenReviews{}
	h := reviewing(d)
	for _, path := range []string{"/dose-review", "/dose-review/S103", "/dose-review.csv", "/stays/S103"} {
		if w := get(h, path); w.Code != 503 || strings.Contains(w.Body.String(), "S103") {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
}

type brokenReviews struct{ doses.DoseReviews }

func (brokenReviews) AddDoseReview(context.Context, records.DoseReview, int64) (records.DoseReview, error) {
	return records.DoseReview{}, errors.New("the database is away")
}

func (brokenReviews) DoseReviewsOf(context.Context, []string, time.Time) (map[string][]records.DoseReview, error) {
	return nil, clinical.Errorf(clinical.Unavailable, "the database is away")
}

// A filter that shows nobody leaves the way back on the page.
func TestAQueueWithoutAFlagSaysSo(t *testing.T) {
	d, _ := open(t)
	h := reviewing(d)
	if body := get(h, "/dose-review?drug=zzz").Body.String(); !strings.Contains(body, `name="drug"`) || strings.Contains(body, "No dose review flag stands") {
		t.Error("a filter that shows nobody takes the filter away")
	}
	body := get(h, "/dose-review?as_of=2026-01-01T00:00:00Z").Body.String()
	if !strings.Contains(body, "No dose review flag stands") || strings.Contains(body, "stayrow") {
		t.Error("a queue of nobody does not say so")
	}
}

// A review that closed what was owed, and is taken back, leaves it owed.
func TestAnUnknownFilterOfTheDoseReviewIsNamed(t *testing.T) {
	d, _ := open(t)
	body := get(reviewing(d), "/dose-review?flag=bogus&group=%3Cb%3E").Body.String()
	holds(t, body, "There is no such filter, so it is left out: flag=bogus, group=&lt;b&gt;.")
	lacks(t, get(reviewing(d), "/dose-review?flag=&group=pressor").Body.String(), "no such filter")
}

func TestAReviewTakenBackIsOwedAgain(t *testing.T) {
	d, _ := webtest.DemoStepped(t, time.UTC)
	h := reviewing(d)
	owed := func() bool {
		all, err := d.Episodes.Stay(t.Context(), "S103")
		if err != nil {
			t.Fatal(err)
		}
		return slices.ContainsFunc(all, func(h care.History) bool {
			return h.Episode.Kind == episodes.DoseReview && h.Episode.Active()
		})
	}
	if !owed() {
		t.Fatal("no dose review is owed")
	}
	form := reviewFormIn(t, h, "S103")
	form.Set("outcome", "no_change")
	if w := post(h, "/dose-review/S103", form); w.Code != 303 || owed() {
		t.Fatalf("reviewed = %d, owed %v", w.Code, owed())
	}
	if w := post(h, "/dose-review/S103/1/take-back", url.Values{"why": {"meant another patient"}}); w.Code != 303 || !owed() {
		t.Errorf("taken back = %d, owed %v", w.Code, owed())
	}
	page := get(h, "/stays/S103").Body.String()
	if !strings.Contains(page, "took back the dose review that closed it: meant another patient.") {
		t.Error("the history of the episode does not say that the review was taken back")
	}
}

func TestASuggestionIsFollowedAndAReviewTakenBack(t *testing.T) {
	d, board := open(t)
	h := reviewing(d)
	// One drug twice, another outcome, a drug that the patient is not on: nothing is recorded.
	for _, wrong := range [][]string{{"doxazosin|stop", "doxazosin|lower"}, {"warfarin|stop"}, {"doxazosin|2 mg"}} {
		form := reviewFormIn(t, h, "S103")
		form["suggest"] = wrong
		if w := post(h, "/dose-review/S103", form); w.Code != 422 || !strings.Contains(w.Body.String(), "one for each drug of this list") {
			t.Errorf("%v = %d", wrong, w.Code)
		}
	}
	form := reviewFormIn(t, h, "S103")
	form["suggest"] = []string{"", "doxazosin|stop"}
	if w := post(h, "/dose-review/S103", form); w.Code != 303 {
		t.Fatalf("a suggestion = %d %s", w.Code, w.Body.String())
	}
	if body := get(h, "/dose-review/S103").Body.String(); !strings.Contains(body, "doxazosin: stop it") || !strings.Contains(body, "not answered yet") {
		t.Error("the page does not tell its suggestion, or that nobody has answered")
	}
	// Half an hour later its order is stopped.
	view, err := board.Stay(t.Context(), "S103", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	at := demo.AnchorTime().Add(30 * time.Minute)
	for _, r := range view.Chart.Records {
		if o, is := r.Body.(clinical.Order); is && strings.Contains(strings.ToLower(o.Text), "doxazosin") {
			board.Put(t, clinical.Version{
				Kind: clinical.KindOrder, SourceID: r.SourceID, StayID: "S103", RecordedAt: at, Stated: true, Status: clinical.Stopped, Body: o, Feed: r.Feed,
			})
		}
	}
	d.Clock = func() time.Time { return at.Add(time.Hour) }
	h = reviewing(d)
	body := get(h, "/suggestions").Body.String()
	for _, want := range []string{"doxazosin: stop it", "as suggested: doxazosin stopped", "not answered yet", "1 of 3 positive"} {
		if !strings.Contains(body, want) {
			t.Errorf("the ledger does not say %q", want)
		}
	}
	if csv := get(h, "/suggestions.csv").Body.String(); !strings.Contains(csv, "doxazosin,stop it") || strings.Count(csv, "\n") != 2 {
		t.Errorf("the ledger as CSV: %s", csv)
	}
	if body := get(h, "/suggestions?who=nobody").Body.String(); strings.Contains(body, "stop it") {
		t.Error("another's suggestions are shown")
	}
	if w := post(h, "/dose-review/S103/1/take-back", url.Values{"why": {" "}}); w.Code != 422 {
		t.Errorf("taken back without a reason = %d", w.Code)
	}
	if w := post(h, "/dose-review/S103/7/take-back", url.Values{"why": {"no such"}}); w.Code != 404 {
		t.Errorf("a review that is not there = %d", w.Code)
	}
	for range 2 { // the button is pressed twice
		if w := post(h, "/dose-review/S103/1/take-back", url.Values{"why": {"meant another patient"}}); w.Code != 303 {
			t.Errorf("taken back = %d", w.Code)
		}
	}
	if body := get(h, "/suggestions").Body.String(); !strings.Contains(body, "meant another patient") {
		t.Error("the ledger does not say that it was taken back, and why")
	}
	if !slices.Contains(queueIn(t, h, "/dose-review")["to_review"], "S103") {
		t.Error("a review that was taken back still holds")
	}
	again := reviewFormIn(t, h, "S103")
	again.Set("outcome", "no_change")
	if w := post(h, "/dose-review/S103", again); w.Code != 303 {
		t.Errorf("a review after one that was taken back = %d", w.Code)
	}
}

// Every line that says positive says when the drop came and whether it lasted, in downloads too.
func TestTheDownloadOfTheQueueTellsTheCourseOfASet(t *testing.T) {
	d, _ := open(t)
	got := get(webtest.As(web.New(d), "pharmacist"), "/dose-review.csv").Body.String()
	if strings.Count(got, "positive") < 4 {
		t.Fatalf("the queue has few positive sets:\n%s", got)
	}
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(got, "\ufeff"))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		for _, cell := range row {
			if cell == "positive" {
				t.Errorf("%s: a set is positive, and nothing says how", row[0])
			}
		}
	}
}
