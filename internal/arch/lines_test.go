package arch

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// longestLine bounds a line of the program, in characters, a tab counting as one; new
// code stays within 120. Tests are free: their tables read best with a case a line.
const longestLine = 140

// longestMarkup bounds a line of a template.
const longestMarkup = 120

func TestLinesFitAScreen(t *testing.T) {
	for _, name := range tree(t) {
		most := longestLine
		switch {
		case strings.HasPrefix(name, "web/templates/"):
			most = longestMarkup
		case !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go"):
			continue
		}
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range tooLong(string(text), most) {
			t.Errorf("%s:%d has more than %d characters; name a part of it, or break it where it is read", name, n, most)
		}
	}
}

// tooLong are the numbers of the lines that are longer than a line may be.
func tooLong(text string, most int) (numbers []int) {
	for n, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > most {
			numbers = append(numbers, n+1)
		}
	}
	return numbers
}

func TestLongLinesAreFound(t *testing.T) {
	fits, long := strings.Repeat("é", longestLine), strings.Repeat("x", longestLine+1)
	if got := tooLong(fits+"\n"+long+"\n", longestLine); len(got) != 1 || got[0] != 2 {
		t.Errorf("of two lines, the second too long, the lines %v are found", got)
	}
}
