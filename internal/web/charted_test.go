package web_test

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"unicode"

	"golang.org/x/net/html"

	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// loose lists the texts of a page that turn what stands beside them, or are too long to
// break, outside an element that holds them.
func loose(page string) (found []string) {
	z := html.NewTokenizer(strings.NewReader(page))
	var open []string
	isolated := func(name string) bool { return slices.Contains(open, name) }
	for {
		switch kind := z.Next(); kind {
		case html.ErrorToken:
			return found
		case html.StartTagToken:
			name, some := z.TagName()
			tag := string(name)
			for some {
				var k, v []byte
				if k, v, some = z.TagAttr(); string(k) == "class" && slices.Contains(strings.Fields(string(v)), "charted") {
					tag += ".charted"
				}
			}
			if !slices.Contains([]string{"meta", "link", "input", "br", "hr", "img", "wbr", "col"}, tag) {
				open = append(open, tag)
			}
		case html.EndTagToken:
			if len(open) > 0 {
				open = open[:len(open)-1]
			}
		case html.TextToken:
			text := string(z.Text())
			if slices.ContainsFunc([]string{"script", "style", "title", "textarea", "option", "svg"}, isolated) {
				continue
			}
			turned := strings.ContainsFunc(text, func(r rune) bool { return unicode.Is(unicode.Hebrew, r) || r == '\u202e' })
			if turned && !isolated("bdi") {
				found = append(found, "not isolated: "+text)
			}
			long := slices.ContainsFunc(strings.Fields(text), func(w string) bool { return len(w) > 60 })
			if long && !isolated("span.charted") {
				found = append(found, "cannot break: "+text)
			}
		}
	}
}

// roleOf is the role that alone may see a page, "" for one that the account with every other
// permission sees.
func roleOf(path string) records.Role {
	switch {
	case strings.HasPrefix(path, "/dose-review"), path == "/suggestions":
		return records.Pharmacist
	case path == "/asked":
		return records.Prescriber
	}
	return ""
}

// A feed may bring names, places, drugs and identities of any length and script. On every
// page each is isolated from the figures beside it and may break; so it is on paper, which
// is the same page.
func TestTextOfFeedsIsHeldOnEveryPage(t *testing.T) {
	drill.Long(t)
	d, board := open(t)
	stay, fall := board.PutHostile(t)
	board.Hold(t, records.Held{File: webtest.Hostile("file"), Line: 2, Kind: "vitals", SourceID: webtest.HostileID, Reason: webtest.Hostile("reason"),
		Feed: "csv", Original: []byte(webtest.Hostile("row"))})
	if _, err := d.Episodes.StepAll(t.Context(), demo.AnchorTime()); err != nil {
		t.Fatal(err)
	}
	everything := signedIn(d)
	unit := url.PathEscape(webtest.HostileUnit)
	with := strings.NewReplacer(
		":unit", "4W", ":stay", "S108", ":fall", url.PathEscape(fall), ":row", "1", ":account", "1", ":number", "0",
	)
	addresses := []string{
		"/units/" + unit, "/units/" + unit + "/episodes", "/units/" + unit + "/over-time", "/stays/" + url.PathEscape(stay),
		"/units/4W?as_of=2026-11-02T09:59:00Z", "/stays/" + url.PathEscape(stay) + "/new-set",
	}
	for _, pattern := range web.Pages() {
		if pattern == "/" { // leads to a unit where there is one
			continue
		}
		addresses = append(addresses, with.Replace(pattern))
	}
	hostile := 0
	for _, path := range addresses {
		h := everything
		if role := roleOf(path); role != "" {
			h = webtest.As(web.New(d), string(role))
		}
		if path == "/wall" {
			h = enrolled(t, d, web.New(d))
		}
		w := get(h, path)
		if w.Code != http.StatusOK && !(path == "/sign-in" && w.Code == http.StatusSeeOther) {
			t.Errorf("%s = %d", path, w.Code)
			continue
		}
		if strings.Contains(w.Body.String(), "שלום") {
			hostile++
		}
		for _, text := range loose(w.Body.String()) {
			t.Errorf("%s: %.100q", path, text)
		}
		checkMarkup(t, path, w.Body.String())
	}
	if hostile < 15 {
		t.Errorf("only %d pages hold such a text", hostile)
	}
}
