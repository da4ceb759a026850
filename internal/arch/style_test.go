package arch

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

var (
	cssComment = regexp.MustCompile(`(?s)/\*.*?\*/`)
	cssData    = regexp.MustCompile(`url\("data:[^"]*"\)`)
	cssPaper   = regexp.MustCompile(`@page[^{]*\{[^}]*\}`) // margins of paper are in millimetres
	cssSets    = regexp.MustCompile(`([a-z-]+)\s*:\s*([^;{}]+)[;}]`)
	cssNames   = regexp.MustCompile(`(--[a-z0-9_-]+)\s*:\s*[^;{}]+;`)
	cssSized   = regexp.MustCompile(`^(font-size|font|(margin|padding|gap|row-gap|column-gap|scroll-margin|scroll-padding)(-[a-z]+)*)$`)
	cssVar     = regexp.MustCompile(`var\(--[a-z0-9-]+(, *var\(--[a-z0-9-]+\))?\)`)
	cssNumber  = regexp.MustCompile(`\d*\.?\d+(rem|em|px|pt|mm|cm|vw|vh|ch)\b`)
	cssColour  = regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|\b(?:rgb|hsl|hwb|lab|lch|oklab|oklch|color)a?\(`)
	cssFont    = regexp.MustCompile(`^(inherit|([0-9]{3} )?var\(--f-[a-z]+\)/)`)
	cssDefined = regexp.MustCompile(`(--[\w-]+)\s*:`)
	cssUsed    = regexp.MustCompile(`var\((--[\w-]+)`)
	cssScale   = regexp.MustCompile(`--(f|p|s|e|w)-[a-z0-9]+\s*:`)
)

// offScale are the declarations of a style sheet whose sizes of letters, spaces or colours are
// written out. Names are defined with the figures, all else takes the names.
func offScale(css string) (found []string) {
	css = cssPaper.ReplaceAllString(cssData.ReplaceAllString(cssComment.ReplaceAllString(css, ""), "none"), "")
	css = cssNames.ReplaceAllString(css, "")
	for _, m := range cssSets.FindAllStringSubmatch(css, -1) {
		property, value := m[1], strings.TrimSpace(m[2])
		plain := cssVar.ReplaceAllString(value, "")
		switch {
		case cssColour.MatchString(value):
		case !cssSized.MatchString(property):
			continue
		case property == "font" && !cssFont.MatchString(value):
		case property == "font":
			continue
		case cssNumber.MatchString(plain):
		default:
			continue
		}
		found = append(found, property+": "+value)
	}
	return found
}

// Issue: one scale of sizes of letters and of spaces, colours by their names alone.
func TestStylesKeepToTheScale(t *testing.T) {
	names, defined, used := map[string]bool{}, map[string]bool{"--deck": true, "--keys": true}, map[string]string{} // bedside.js sets these
	for _, name := range tree(t) {
		if !strings.HasPrefix(name, "web/static/") || !strings.HasSuffix(name, ".css") || strings.Contains(name, "vendor") {
			continue
		}
		css, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range offScale(string(css)) {
			t.Errorf("%s: %s: take a name of the scale in app.css (--f-, --p-, --s-, --e-, --w-) or of a colour", name, found)
		}
		for _, m := range cssDefined.FindAllStringSubmatch(string(css), -1) {
			defined[m[1]] = true
		}
		for _, m := range cssUsed.FindAllStringSubmatch(string(css), -1) {
			used[m[1]] = name
		}
		for _, n := range cssScale.FindAllString(string(css), -1) {
			if !strings.HasSuffix(name, "app.css") {
				t.Errorf("%s defines %s: the scale stands in app.css", name, n)
			}
			names[n] = true
		}
	}
	for n, name := range used {
		if !defined[n] {
			t.Errorf("%s: %s is defined nowhere", name, n)
		}
	}
	sizes := 0
	for n := range names {
		if strings.HasPrefix(n, "--f-") || strings.HasPrefix(n, "--p-") {
			sizes++
		}
	}
	if sizes < 5 || sizes > 20 || len(names)-sizes > 22 {
		t.Errorf("the scale has %d sizes of letters and %d spaces: take one that is there", sizes, len(names)-sizes)
	}
}

func TestWhatIsOffTheScaleIsFound(t *testing.T) {
	for css, want := range map[string]string{
		"a { font-size: .9rem; }":                               "font-size: .9rem",
		"a { font-size: var(--f-text); margin: 0 auto; }":       "",
		"a { padding: var(--s-2) 3px }":                         "padding: var(--s-2) 3px",
		"a { gap: calc(-1 * var(--s-2)); width: 3rem; }":        "",
		"a { color: #123456; }":                                 "color: #123456",
		"a { background: rgba(0, 0, 0, .1); }":                  "background: rgba(0, 0, 0, .1)",
		":root { --ink: #000; --f-text: 1rem; }":                "",
		"a { font: 600 1rem/1.2 serif; }":                       "font: 600 1rem/1.2 serif",
		"a { font: 600 var(--f-text)/1.2 serif; }":              "",
		"@media print { a { margin-block: 0 1mm; } } /* 2px */": "margin-block: 0 1mm",
	} {
		if got := strings.Join(offScale(css), "; "); got != want {
			t.Errorf("%s: found %q, want %q", css, got, want)
		}
	}
}
