package clinical

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// heard is a version of a reading, by a feed, recorded so many hours after noon and taken so many seconds.
func heard(feed, id string, recorded, seconds, systolic float64, position Position) Version {
	diastolic := 70.0
	b := Vitals{TakenAt: noon.Add(time.Duration(seconds) * time.Second), Systolic: &systolic, Diastolic: &diastolic, Position: position}
	if feed == BedsideFeed {
		minutes := 3.0
		b.SetID, b.Symptoms, b.MinutesInPosition, b.StoppedEarly = "set", []string{"dizziness"}, &minutes, true
	}
	return Version{
		Kind: KindVitals, SourceID: id, StayID: "S", RecordedAt: hour(recorded), Stated: true, Status: Final, Body: b, Feed: feed, File: feed,
	}
}

// used are the readings that count, with what only we know of them, and the echoes.
func usedReadings(c Chart) string {
	var out []string
	for _, r := range c.Records {
		if v, ok := r.Body.(Vitals); ok {
			out = append(out, fmt.Sprintf("%s %g %s %s%v", r.SourceID, *v.Systolic, v.TakenAt.Format("04:05"), v.SetID, v.Symptoms))
		}
	}
	for _, r := range c.Removed {
		out = append(out, "no "+r.SourceID)
	}
	for _, r := range c.Echoes {
		out = append(out, r.SourceID+" of "+r.EchoOf)
	}
	return strings.Join(out, ", ")
}

func TestAnEchoWithoutIdentityIsUsedNowhere(t *testing.T) {
	ours := heard(BedsideFeed, "o", 1, 0, 120, Standing)
	gone := func(v Version, recorded float64) Version {
		v.Status, v.Body, v.RecordedAt = EnteredInError, nil, hour(recorded)
		return v
	}
	pulse := func(v Version, p float64) Version {
		b := v.Body.(Vitals)
		b.HeartRate = &p
		v.Body = b
		return v
	}
	for _, c := range []struct {
		what     string
		versions []Version
		want     string
	}{
		{"within a minute", []Version{ours, heard("csv", "e", 2, 60, 120, Standing)}, "o 120 00:00 set[dizziness], e of o"},
		{"before it", []Version{ours, heard("csv", "e", 2, -60, 120, Standing)}, "o 120 00:00 set[dizziness], e of o"},
		{"later than that", []Version{ours, heard("csv", "e", 2, 61, 120, Standing)}, "e 120 01:01 [], o 120 00:00 set[dizziness]"},
		{"another figure", []Version{ours, heard("csv", "e", 2, 0, 121, Standing)}, "e 121 00:00 [], o 120 00:00 set[dizziness]"},
		{"another position", []Version{ours, heard("csv", "e", 2, 0, 120, Lying)}, "e 120 00:00 [], o 120 00:00 set[dizziness]"},
		{"no position", []Version{ours, heard("csv", "e", 2, 0, 120, "")}, "e 120 00:00 [], o 120 00:00 set[dizziness]"},
		{"a pulse that the record does not keep", []Version{pulse(ours, 80), heard("csv", "e", 2, 0, 120, Standing)}, "o 120 00:00 set[dizziness], e of o"},
		{"another pulse", []Version{pulse(ours, 80), pulse(heard("csv", "e", 2, 0, 120, Standing), 81)}, "e 120 00:00 [], o 120 00:00 set[dizziness]"},
		{"twice: the nearest is", []Version{ours, heard("csv", "d", 2, 20, 120, Standing), heard("csv", "e", 2, 10, 120, Standing)},
			"d 120 00:20 [], o 120 00:00 set[dizziness], e of o"},
		{"another of ours", []Version{ours, heard(BedsideFeed, "p", 1, 30, 120, Standing)}, "o 120 00:00 set[dizziness], p 120 00:30 set[dizziness]"},
		{"corrected in the record", []Version{ours, heard("csv", "e", 2, 0, 120, Standing), heard("csv", "e", 3, 0, 128, Standing)},
			"o 128 00:00 set[dizziness], e of o"},
		{"corrected there and back", []Version{ours, heard("csv", "e", 2, 0, 120, Standing), heard("csv", "e", 3, 0, 128, Standing), heard("csv", "e", 4, 0, 120, Standing)},
			"o 120 00:00 set[dizziness], e of o"},
		{"taken back in the record", []Version{ours, heard("csv", "e", 2, 0, 120, Standing), gone(heard("csv", "e", 0, 0, 0, ""), 3)}, "no o, e of o"},
		{"charted there anew", []Version{ours, heard("csv", "e", 2, 0, 120, Standing), gone(heard("csv", "e", 0, 0, 0, ""), 3), heard("csv", "f", 3, 5, 120, Standing)},
			"o 120 00:00 set[dizziness], no e, f of o"},
		{"taken back here, before it came", []Version{ours, gone(ours, 2), heard("csv", "e", 3, 0, 120, Standing)}, "no o, e of o"},
		{"corrected here: a late echo of the first", []Version{ours, heard(BedsideFeed, "o", 2, 0, 124, Standing), heard("csv", "e", 3, 0, 120, Standing)},
			"o 124 00:00 set[dizziness], e of o"},
		{"corrected there, then here", []Version{ours, heard("csv", "e", 2, 0, 120, Standing), heard("csv", "e", 3, 0, 128, Standing), heard(BedsideFeed, "o", 4, 0, 126, Standing)},
			"o 126 00:00 set[dizziness], e of o"},
	} {
		for _, vs := range [][]Version{c.versions, reversed(c.versions)} {
			if got := usedReadings(ChartAt("S", vs, hour(9))); got != c.want {
				t.Errorf("%s: %s, want %s", c.what, got, c.want)
			}
		}
	}
	chart := ChartAt("S", []Version{ours, heard("csv", "e", 2, 0, 120, Standing), heard("csv", "e", 3, 0, 128, Standing)}, hour(9))
	r := chart.Records[0]
	if v := r.Body.(Vitals); !v.StoppedEarly || *v.MinutesInPosition != 3 || r.Status != Corrected || len(r.History) != 2 || !r.TakenHere() {
		t.Errorf("after a correction in the record: %+v", r)
	}
}

func TestAnswersAndClearancesHaveEchoesToo(t *testing.T) {
	version := func(feed, id string, body Body) Version {
		return Version{Kind: body.FactKind(), SourceID: id, StayID: "S", RecordedAt: hour(1), Stated: true, Status: Final, Body: body, Feed: feed}
	}
	at := func(seconds int) time.Time { return noon.Add(time.Duration(seconds) * time.Second) }
	vs := []Version{
		version(BedsideFeed, "a", Answer{AnsweredAt: at(0), Answer: Declined, Reason: "tired"}),
		version("csv", "b", Answer{AnsweredAt: at(60), Answer: Declined}),
		version("csv", "c", Answer{AnsweredAt: at(0), Answer: NotPossible}),
		version(BedsideFeed, "d", Clearance{ClearedAt: at(0), By: "Dr Example"}),
		version("csv", "e", Clearance{ClearedAt: at(30)}), version("csv", "f", Clearance{ClearedAt: at(90)}),
	}
	var got []string
	c := ChartAt("S", vs, hour(2))
	for _, r := range slices.Concat(c.Records, c.Echoes) {
		got = append(got, r.SourceID+r.EchoOf)
	}
	if diff := cmp.Diff([]string{"d", "f", "a", "c", "ed", "ba"}, got); diff != "" {
		t.Error(diff)
	}
}

// Whatever comes back, in whatever order, late, twice or not at all: what was taken here stays as it was
// taken or last corrected here, and there is no second reading of it.
func TestNoEchoChangesWhatWasTakenHere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var ours, all []Version
		for n := range rapid.IntRange(1, 4).Draw(t, "readings") {
			id := fmt.Sprintf("o%d", n)
			seconds := float64(n * 180) // as the readings of a set lie apart
			position := rapid.SampledFrom([]Position{Lying, Sitting, Standing}).Draw(t, "position")
			systolic := float64(rapid.IntRange(100, 103).Draw(t, "systolic"))
			first := heard(BedsideFeed, id, 1, seconds, systolic, position)
			sent := []Version{first}
			if rapid.Bool().Draw(t, "corrected here") {
				sent = append(sent, heard(BedsideFeed, id, 2, seconds, systolic+10, position))
			}
			ours = append(ours, sent...)
			for k, came := range sent { // the record has one fact, with a version for each that reached it
				if !rapid.Bool().Draw(t, "reached the record") {
					continue
				}
				echo := heard("hl7", "e"+id, 3+float64(k)+rapid.Float64Range(0, 0.9).Draw(t, "delay"), seconds, 0, position)
				b := echo.Body.(Vitals)
				b.Systolic = came.Body.(Vitals).Systolic
				b.TakenAt = b.TakenAt.Add(time.Duration(rapid.SampledFrom([]int{0, 0, 1, -30, 60}).Draw(t, "off")) * time.Second)
				if b.TakenAt.Sub(came.Body.OwnTime()) > 0 && k > 0 {
					b.TakenAt = came.Body.OwnTime() // a correction of the time is another matter
				}
				echo.Body = b
				for range rapid.IntRange(1, 2).Draw(t, "times") {
					all = append(all, echo)
				}
			}
		}
		without := usedReadings(ChartAt("S", ours, hour(9)))
		mixed := rapid.Permutation(slices.Concat(ours, all)).Draw(t, "order")
		c := ChartAt("S", mixed, hour(9))
		c.Echoes = nil
		if got := usedReadings(c); got != without {
			t.Fatalf("with echoes: %s, without: %s", got, without)
		}
	})
}
