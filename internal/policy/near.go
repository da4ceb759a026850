package policy

import "strings"

// nearest lists those of the words that a misspelt one is closest to, none where
// none is close: more than two letters and more than a quarter of them differ.
func nearest(misspelt string, words []string) []string {
	least := max(2, len(misspelt)/4)
	var found []string
	for _, w := range words {
		switch d := distance(plainWord(misspelt), plainWord(w)); {
		case d > least || d >= len(w):
		case d < least:
			least, found = d, []string{w}
		default:
			found = append(found, w)
		}
	}
	return found
}

// plainWord takes out what people mix up without meaning another word.
func plainWord(s string) string {
	return strings.NewReplacer("-", "_", " ", "_").Replace(strings.ToLower(s))
}

// distance counts the letters to put in, take out or replace between two words
// (Levenshtein).
func distance(a, b string) int {
	from, to := []rune(a), []rune(b)
	row := make([]int, len(to)+1)
	for j := range row {
		row[j] = j
	}
	for i := range from {
		diagonal := row[0]
		row[0] = i + 1
		for j := range to {
			cost := diagonal
			if from[i] != to[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, diagonal+1)
		}
	}
	return row[len(to)]
}
