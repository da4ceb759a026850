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

func TestLinesFitAScreen(t *testing.T) {
	for _, name := range tree(t) {
		if !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range tooLong(string(text)) {
			t.Errorf("%s:%d has more than %d characters; name a part of it, or break it where it is read", name, n, longestLine)
		}
	}
}

// tooLong are the numbers of the lines that are longer than a line may be.
func tooLong(text string) (numbers []int) {
	for n, line := range strings.Split(text, "\n") {
		if utf8.RuneCountInString(line) > longestLine {
			numbers = append(numbers, n+1)
		}
	}
	return numbers
}

func TestLongLinesAreFound(t *testing.T) {
	fits, long := strings.Repeat("é", longestLine), strings.Repeat("x", longestLine+1)
	if got := tooLong(fits + "\n" + long + "\n"); len(got) != 1 || got[0] != 2 {
		t.Errorf("of two lines, the second too long, the lines %v are found", got)
	}
}
