package pagetest

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"plumbline/internal/browsertest"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// yearOf is the demo unit with its past.
func yearOf(t *testing.T) web.Deps {
	t.Helper()
	z, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	d, _ := webtest.DemoWithPast(t, z)
	return d
}

// The unit over a year, over the few days that the stories tell, and at a time when
// nobody was on it.
func TestTheUnitOverTime(t *testing.T) {
	year, days := start(t, yearOf(t)), start(t, deps(t))
	browser := browsertest.Start(t)
	for _, one := range []struct {
		name, url string
		charts    int
		widths    []int
	}{
		{"year", year + "/units/4W/over-time", 9, []int{1440, 390}},
		{"days", days + "/units/4W/over-time?by=week", 9, []int{768}},
		{"nobody", days + "/units/4W/over-time?from=2025-01-01&to=2025-03-31", 0, []int{390}},
	} {
		for _, width := range one.widths {
			t.Run(fmt.Sprintf("%s at %d", one.name, width), func(t *testing.T) {
				page := browser.Open(t, "about:blank", width, 900)
				scheme(t, page, "", "light")
				page.Navigate(one.url)
				page.Wait("footer")
				for _, colours := range []string{"light", "dark"} { // the page draws its charts anew
					scheme(t, page, "", colours)
					if got := browsertest.Eval[int](page, `[...document.querySelectorAll(".chart canvas")].filter(c => c.width > 250 && c.height > 80).length`); got != one.charts {
						t.Errorf("%s: %d charts are drawn, want %d", colours, got, one.charts)
					}
				}
				judge(t, page, width, "overtime-"+one.name, "dark", "light")
				quiet(t, page)
			})
		}
	}

	page := browser.Open(t, year+"/units/4W/over-time", 1440, 900)
	page.Wait("#panel-falls canvas")
	tip := browsertest.Eval[string](page, `(() => { const c = echarts.getInstanceByDom(document.querySelector("#panel-falls .chart"));
		return c.getOption().tooltip[0].formatter([{seriesName: "interval", dataIndex: 9, value: [3, 1]}, {seriesName: "value", dataIndex: 3, value: [3, 1]}]).textContent })()`)
	if want := browsertest.Eval[string](page, `document.querySelector("#panel-falls tbody tr:nth-child(4) td").textContent`); tip[:8] != want {
		t.Errorf("the tooltip of the fourth month reads %q, the table names %q", tip, want)
	}
	browsertest.Eval[bool](page, `echarts.getInstanceByDom(document.querySelector("#panel-falls .chart")).dispatchAction({type: "showTip", seriesIndex: 3, dataIndex: 3}) || true`)
	page.Wait(".readout")
	pdf := page.PDF()
	keep(t, "overtime.pdf", func() []byte { return pdf })
	if n := bytes.Count(pdf, []byte("/Type /Page\n")); n < 2 || n > 8 {
		t.Errorf("a year prints on %d pages", n)
	}
	quiet(t, page)
}
