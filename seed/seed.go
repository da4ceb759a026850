// Package seed carries the demo unit: the files of feed/, which
// internal/demo/generate writes, and the shift that lays them at "now".
package seed

import (
	"bytes"
	"embed"
	"encoding/csv"
	"fmt"
	"io/fs"
	"time"

	"plumbline/internal/demo"
)

//go:embed feed/*.csv
var feed embed.FS

// Anchor is the moment for which the files are laid.
const Anchor = demo.Anchor

// Files are the files as they stand in the repository, by name.
func Files() ([]demo.File, error) {
	names, err := fs.Glob(feed, "feed/*.csv")
	if err != nil {
		return nil, err
	}
	var files []demo.File
	for _, name := range names {
		data, err := feed.ReadFile(name)
		if err != nil {
			return nil, err
		}
		files = append(files, demo.File{Name: name[len("feed/"):], Data: data})
	}
	return files, nil
}

// Shift moves every time of the files by the same amount, so that what lies at
// the anchor lies at the given moment, cut to the minute. Birth dates stay.
func Shift(files []demo.File, to time.Time) ([]demo.File, error) {
	by := to.UTC().Truncate(time.Minute).Sub(demo.AnchorTime())
	var moved []demo.File
	for _, f := range files {
		lines, err := csv.NewReader(bytes.NewReader(f.Data)).ReadAll()
		if err != nil {
			return nil, fmt.Errorf("shift %s: %w", f.Name, err)
		}
		if len(lines) > 0 {
			shiftLines(lines[0], lines[1:], by)
		}
		var b bytes.Buffer
		if err := csv.NewWriter(&b).WriteAll(lines); err != nil {
			return nil, fmt.Errorf("shift %s: %w", f.Name, err)
		}
		moved = append(moved, demo.File{Name: f.Name, Data: b.Bytes()})
	}
	return moved, nil
}

// shiftLines moves the cells of the time columns in place. A cell that is no
// time stays as it is.
func shiftLines(header []string, lines [][]string, by time.Duration) {
	for i, column := range header {
		if !demo.TimeColumns[column] {
			continue
		}
		for _, line := range lines {
			if t, err := time.Parse(time.RFC3339, line[i]); err == nil {
				line[i] = t.Add(by).UTC().Format(time.RFC3339)
			}
		}
	}
}
