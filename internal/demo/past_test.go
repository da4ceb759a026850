package demo_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/assess/assesstest"
	"plumbline/internal/demo"
)

// The past is over before the stories begin, fills each bed once at a time, and every
// row of it can be read.
func TestThePastIsOverAndCanBeRead(t *testing.T) {
	now := demo.AnchorTime()
	files := demo.Past(now)
	for n, f := range demo.Past(now) {
		if !bytes.Equal(f.Data, files[n].Data) || f.Name != files[n].Name {
			t.Fatalf("%s: the same anchor gives other bytes", f.Name)
		}
	}
	memory := &assesstest.Memory{}
	rows := 0
	for _, f := range append(files, demo.Generate(now)...) {
		if strings.Contains(f.Name, "-9-interface") {
			continue // made to be held back
		}
		rows += len(rowsOf(t, f))
		if err := memory.Read(bytes.NewReader(f.Data), f.Name, time.UTC, now); err != nil {
			t.Fatal(err)
		}
	}
	if len(memory.Rows) > 0 || len(memory.All) != rows || rows < 10000 {
		t.Errorf("%d of %d rows are read, held back: %v", len(memory.All), rows, memory.Rows)
	}

	type spell struct{ from, to string }
	beds := map[string][]spell{}
	for _, f := range files {
		if f.Name != "stays-0-past.csv" {
			continue
		}
		for _, r := range rowsOf(t, f) {
			if r["name"] != "" || r["discharged_at"] >= demo.Anchor || r["discharged_at"] <= r["admitted_at"] {
				t.Errorf("the stay %v", r)
			}
			bed := r["unit"] + " " + r["bed"]
			beds[bed] = append(beds[bed], spell{r["admitted_at"], r["discharged_at"]})
		}
	}
	full := 0
	for bed, stays := range beds {
		if strings.HasPrefix(bed, demo.MainUnit) && len(stays) >= 40 {
			full++
		}
	}
	if full < 25 {
		t.Errorf("%d beds of the unit were used through the year, want 25 or more", full)
	}
	for bed, stays := range beds {
		slices.SortFunc(stays, func(a, b spell) int { return strings.Compare(a.from, b.from) })
		for n := 1; n < len(stays); n++ {
			if stays[n].from < stays[n-1].to {
				t.Errorf("bed %s: %v and %v at once", bed, stays[n-1], stays[n])
			}
		}
	}
}
