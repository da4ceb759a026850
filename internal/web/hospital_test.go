package web_test

import (
	"fmt"
	"html"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

var (
	unitCount = regexp.MustCompile(`<a href="(/units/[^"]*)">\s*(?:<span class="n">|<b>)(\d+)`)
	oneRow    = regexp.MustCompile(`<li class="row `)
	oneThing  = regexp.MustCompile(`<li class="state [^"]*"><span class="mark" aria-hidden="true"></span>`)
)

// Every figure of a unit leads to as many rows, or to as many things that are nobody's.
func TestEveryFigureOfAllUnitsLeadsToItsRows(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	see := func(path string) *httptest.ResponseRecorder { return get(h, path) }
	for _, at := range []string{"", "?as_of=2026-11-01T18:00:00Z"} {
		page := see("/hospital" + at).Body.String()
		found := unitCount.FindAllStringSubmatch(page, -1)
		if len(found) != 2*(5+4) {
			t.Fatalf("%d figures on the page of two units", len(found))
		}
		for _, f := range found {
			url, want := html.UnescapeString(f[1]), f[2]
			list := see(url).Body.String()
			list, _, _ = strings.Cut(list, `class="sheet`) // the printed sheet says it again
			switch rows := len(oneRow.FindAllString(list, -1)); {
			case strings.Contains(url, "given="):
				things := 0
				for _, row := range strings.Split(list, `<ul class="c-owed">`)[1:] {
					row, _, _ = strings.Cut(row, "</ul>")
					things += len(oneThing.FindAllString(row, -1))
				}
				if strconv.Itoa(things) != want {
					t.Errorf("%s: %d things, want %s", url, things, want)
				}
			case strings.Contains(url, "tier=") || strings.Contains(url, "mark=") || strings.Contains(url, "hour="):
				if strconv.Itoa(rows) != want {
					t.Errorf("%s: %d rows, want %s", url, rows, want)
				}
			}
		}
	}
}

// The patients across the units stand in the order of the list: tier by tier, and in each
// as they do on the list of their unit.
func TestTheHighestAcrossTheUnitsStandInOrder(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	page := get(h, "/hospital").Body.String()
	if got := len(oneRow.FindAllString(page, -1)); got != 12 {
		t.Fatalf("%d rows", got)
	}
	tiers := regexp.MustCompile(`<li class="row tier-(\w+)`).FindAllStringSubmatch(page, -1)
	order := map[string]int{"now": 0, "this_shift": 1, "today": 2, "watch": 3}
	for n := 1; n < len(tiers); n++ {
		if order[tiers[n][1]] < order[tiers[n-1][1]] {
			t.Errorf("%s stands after %s", tiers[n][1], tiers[n-1][1])
		}
	}
	of := map[string][]string{}
	for _, m := range regexp.MustCompile(`<a href="/stays/(S\d+)"><span class="unit">(\w+)<`).FindAllStringSubmatch(page, -1) {
		of[m[2]] = append(of[m[2]], m[1])
	}
	for unit, stays := range of {
		list, at := get(h, "/units/"+unit).Body.String(), 0
		for _, stay := range stays {
			next := strings.Index(list, `id="row-`+stay+`"`)
			if next < at {
				t.Errorf("%s stands elsewhere on the list of %s", stay, unit)
			}
			at = next
		}
	}
	if len(of) != 2 {
		t.Errorf("the highest are of %d units", len(of))
	}
}

// An account sees its own units alone, a screen no names, and each unit is audited.
func TestAllUnitsAreThoseOfTheAccount(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	one := get(webtest.As(h, string(records.BedsideNurse)), "/hospital").Body.String()
	if strings.Contains(one, "/units/7E") || !strings.Contains(one, "/units/4W") || strings.Contains(one, `<a href="/hospital"`) {
		t.Error("a nurse of 4W sees 7E, or is led to a page of all units")
	}
	screen := get(webtest.As(h, string(records.Screen)), "/hospital").Body.String()
	if strings.Contains(screen, "Brandwick") || !strings.Contains(screen, "7B") {
		t.Error("a screen shows names, or no beds")
	}
	if !strings.Contains(one, "Brandwick") {
		t.Error("a nurse sees no names")
	}
}

// How often a unit is measured is told of its list as of the facts read anew.
func TestHowOftenAUnitIsMeasuredIsToldOfItsList(t *testing.T) {
	d, board := open(t)
	for _, at := range []time.Time{demo.AnchorTime(), demo.AnchorTime().Add(-30 * time.Hour)} {
		list, err := board.List(t.Context(), demo.MainUnit, at)
		if err != nil {
			t.Fatal(err)
		}
		want, err := board.QuietAfter(t.Context(), demo.MainUnit, at)
		p := d.Policy.Current().Policy.Unit
		if got := alerts.QuietAfterOf(list, p, at); err != nil || got != want || got <= clinical.Hours(p.StaleAfterHours) {
			t.Errorf("at %s: quiet after %s, want %s (%v)", at, got, want, err)
		}
	}
}

// copied are the facts of the main demo unit on further units, each patient anew.
func copied(b *testing.B, board *webtest.Answers, units int) []clinical.Version {
	b.Helper()
	list, err := board.List(b.Context(), demo.MainUnit, demo.AnchorTime())
	if err != nil {
		b.Fatal(err)
	}
	var out []clinical.Version
	for _, a := range list {
		chart, err := board.Chart(b.Context(), a.Digest.StayID, demo.AnchorTime())
		if err != nil {
			b.Fatal(err)
		}
		for n := range units {
			mark := fmt.Sprintf("U%02d-", n+1)
			for _, r := range chart.Records {
				v := r.Version
				v.SourceID, v.StayID = mark+v.SourceID, mark+v.StayID
				if stay, is := v.Body.(clinical.Stay); is {
					stay.Unit, stay.PatientID = "U"+mark[1:3], mark+stay.PatientID
					v.Body = stay
				}
				out = append(out, v)
			}
		}
	}
	return out
}

// The page of all units with 30 more units of 33 patients, 1,023 in all and more: made anew each
// minute, against the page of one unit made anew, and kept within the minute. The issue asks for
// 300 ms.
func BenchmarkHospital(b *testing.B) {
	d, board := open(b)
	board.Put(b, copied(b, board, 30)...)
	now := demo.AnchorTime()
	d.Clock, d.DataState = func() time.Time { return now }, board.Data.DataState
	if _, err := d.Episodes.StepAll(b.Context(), now); err != nil {
		b.Fatal(err)
	}
	h := signedIn(d)
	look := func(b *testing.B, path string) {
		if w := get(h, path); w.Code != 200 {
			b.Fatal(w.Code)
		}
	}
	look(b, "/hospital")
	minute := 0
	anew := func(b *testing.B, path string) float64 {
		for b.Loop() {
			minute++
			now = demo.AnchorTime().Add(time.Duration(minute%180) * time.Minute)
			look(b, path)
		}
		return float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	}
	var one float64
	b.Run("one-unit", func(b *testing.B) { one = anew(b, "/units/4W") })
	b.Run("fresh", func(b *testing.B) {
		if all := anew(b, "/hospital"); one > 0 {
			b.ReportMetric(all/one, "x-one-unit")
		}
	})
	b.Run("kept", func(b *testing.B) {
		for b.Loop() {
			look(b, "/hospital")
		}
		if one > 0 {
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/one, "x-one-unit")
		}
	})
}
