package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
)

// reviewed is a figure of this program that was read against the words of a rule and
// stands in place of the other implementation's.
type reviewed struct {
	day, why  string
	asOf, key string // key: the moment and the name
	value     string // JSON, or absent
}

// absent stands for a figure that this program does not give.
const absent = "absent"

const reviewedHead = "# Figures from this program, reviewed: day, why, moment, figure, value. " +
	"See doc.go; written by --take.\n"

// readReviewed reads the figures taken over; a file that is not there holds none.
func readReviewed(path string) ([]reviewed, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []reviewed
	lines := bufio.NewScanner(strings.NewReader(string(text)))
	for n := 1; lines.Scan(); n++ {
		if strings.HasPrefix(lines.Text(), "#") {
			continue
		}
		cells := strings.Split(lines.Text(), "\t")
		if len(cells) != 5 {
			return nil, fmt.Errorf("%s line %d has %d cells, not 5", path, n, len(cells))
		}
		all = append(all, reviewed{day: cells[0], why: cells[1], asOf: cells[2], key: cells[2] + "\t" + cells[3], value: cells[4]})
	}
	return all, lines.Err()
}

func writeReviewed(path string, all []reviewed) error {
	var b strings.Builder
	b.WriteString(reviewedHead)
	for _, r := range all {
		fmt.Fprintf(&b, "%s\t%s\t%s\t%s\n", r.day, r.why, r.key, r.value)
	}
	return os.WriteFile(path, []byte(b.String()), 0o644)
}

// valueOf writes this program's figure as reviewed.tsv holds it.
func valueOf(f figure) string {
	if !f.has {
		return absent
	}
	written, err := json.Marshal(f.own)
	if err != nil { // a figure was read from JSON
		panic(err)
	}
	return string(written)
}

// verdict is what a comparison comes to.
type verdict struct {
	independent int        // figures on which both agree
	reviewed    int        // figures taken over that still hold
	differ      []figure   // neither
	stale       []reviewed // entries that no figure needs
}

// judge sorts figures into those on which both agree, those taken over, and the rest.
func judge(all []figure, taken []reviewed) verdict {
	var v verdict
	byKey := map[string]reviewed{}
	for _, r := range taken {
		byKey[r.key] = r
	}
	used := map[string]bool{}
	for _, f := range all {
		r, known := byKey[f.key()]
		switch {
		case f.agrees():
			v.independent++
		case known && r.value == valueOf(f):
			v.reviewed++
			used[f.key()] = true
		default:
			v.differ = append(v.differ, f)
			used[f.key()] = true // the entry is wrong now, not left over
		}
	}
	for _, r := range taken {
		if !used[r.key] {
			v.stale = append(v.stale, r)
		}
	}
	return v
}
