package ingest

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// A message whose facts its sender has made is stored once; sent again it is answered as
// the first time, and another content under its id is refused and changes nothing.
func TestAMessageOfFactsIsTakenInOnce(t *testing.T) {
	d := newDesk(t)
	m := records.Message{Feed: bedside.Feed, ID: "m1", Sum: "a", StayID: "S", Who: "ann", ReceivedAt: now, Body: []byte("{}")}
	weight := func(kg float64) []clinical.Version {
		return []clinical.Version{{
			Kind: clinical.KindWeight, SourceID: "w1", StayID: "S", RecordedAt: now, Stated: true, Status: clinical.Final,
			Body: clinical.Weight{MeasuredAt: now, KG: kg}, Feed: bedside.Feed, File: bedside.Feed, Line: 1,
		}}
	}
	first, err := d.Record(t.Context(), m, weight(70))
	if err != nil || first.Repeated || first.Counts.Rows != 1 {
		t.Fatalf("the first time: %+v (%v)", first, err)
	}
	later := m
	later.ReceivedAt, later.Who = now.Add(time.Hour), "raj"
	again, err := d.Record(t.Context(), later, weight(71))
	if err != nil || !again.Repeated || again.Message.Who != "ann" {
		t.Errorf("sent again: %+v (%v)", again, err)
	}
	other := later
	other.Sum = "b"
	if _, err := d.Record(t.Context(), other, weight(72)); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("another content under the same id: %v", err)
	}
	if all := d.versions(t); len(all) != 1 || all[0].Body.(clinical.Weight).KG != 70 {
		t.Errorf("stored is %+v", all)
	}
}

func TestAMessageOfAFeedWithoutAReaderIsRefused(t *testing.T) {
	d := newDesk(t)
	_, _, err := d.Receive(t.Context(), records.Message{Feed: "telegraph", ID: "m1", ReceivedAt: now}, "line 1", nil)
	if err == nil || !strings.Contains(err.Error(), "telegraph") {
		t.Errorf("a message of no feed: %v", err)
	}
	d.Readers = []feed.Reader{}
	if _, _, err := d.Receive(t.Context(), records.Message{Feed: "csv", ID: "m1", ReceivedAt: now}, "x", nil); clinical.CodeOf(err) != clinical.Internal {
		t.Errorf("without any reader: %v", err)
	}
}

// A problem names the file, the row where there is one, and why.
func TestAProblemInALine(t *testing.T) {
	for want, p := range map[string]Problem{
		"weights.csv: is empty":              {File: "weights.csv", Reason: "is empty"},
		"weights.csv:3: weight is missing":   {File: "weights.csv", Line: 3, Reason: "weight is missing"},
		"weights.csv:3 w1: weight is absurd": {File: "weights.csv", Line: 3, SourceID: "w1", Reason: "weight is absurd"},
	} {
		if got := p.String(); got != want {
			t.Errorf("%+v reads %q", p, got)
		}
	}
}
