package bedside

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

func charting(entries ...Entry) Charting {
	return Charting{ID: id, StayID: "S1", Who: "nurse", At: now, Entries: entries}
}

// What is charted on a page is what a file with the same cells would say (docs/feeds.md).
func TestWhatIsChartedIsWhatTheFeedWouldTake(t *testing.T) {
	got, err := charting(
		Entry{Kind: clinical.KindRestriction, Cells: map[string]string{"limb": "left arm", "reason": "fistula"}},
		Entry{Kind: clinical.KindClearance, Cells: map[string]string{"cleared_at": "2026-11-25T11:30", "by": "Dr A"}},
		Entry{Kind: clinical.KindAnswer, Cells: map[string]string{"answer": "Declined", "reason": "asleep"}},
		Entry{Kind: clinical.KindPrecaution, SourceID: "P1", Cells: map[string]string{
			"precaution": "bed alarm", "started_at": "2026-11-25T08:00:00Z", "ended_at": "2026-11-25T12:00:00Z",
		}},
		Entry{Kind: clinical.KindRestriction, SourceID: "R1", Removed: true},
	).Versions(time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	at := func(hour, minute int) time.Time { return time.Date(2026, 11, 25, hour, minute, 0, 0, time.UTC) }
	ended := at(12, 0)
	version := func(kind clinical.Kind, sourceID string, line int, body clinical.Body) clinical.Version {
		return clinical.Version{
			Kind: kind, SourceID: sourceID, StayID: "S1", RecordedAt: now, Stated: true, Status: clinical.Final,
			Body: body, Feed: Feed, File: Feed, Line: line,
		}
	}
	want := []clinical.Version{
		version(clinical.KindRestriction, "bedside-"+id+"-restrictions-1", 1,
			clinical.Restriction{Limb: "left arm", Reason: "fistula", StartedAt: now}),
		version(clinical.KindClearance, "bedside-"+id+"-clearances-2", 2,
			clinical.Clearance{ClearedAt: at(11, 30), By: "Dr A"}),
		version(clinical.KindAnswer, "bedside-"+id+"-answers-3", 3,
			clinical.Answer{AnsweredAt: now, Answer: clinical.Declined, Reason: "asleep"}),
		version(clinical.KindPrecaution, "P1", 4,
			clinical.Precaution{Precaution: "bed alarm", StartedAt: at(8, 0), EndedAt: &ended}),
		version(clinical.KindRestriction, "R1", 5, nil),
	}
	want[4].Status = clinical.EnteredInError
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v\nwant %+v", got, want)
	}
	if form := FormOf(got[0].SourceID); form != id {
		t.Errorf("the fact is of the form %q", form)
	}
	if form := FormOf("bedside-else"); form != "" {
		t.Errorf("a fact of another feed is of the form %q", form)
	}
}

func TestWhatCannotBeChartedSaysWhy(t *testing.T) {
	entry := func(kind clinical.Kind, cells ...string) Entry {
		e := Entry{Kind: kind, Cells: map[string]string{}}
		for _, c := range cells {
			name, value, _ := strings.Cut(c, "=")
			e.Cells[name] = value
		}
		return e
	}
	for _, c := range []struct {
		entry Entry
		want  string
	}{
		{entry(clinical.KindVitals, "systolic=120"), "not charted here"},
		{entry(clinical.KindRestriction, "limb=nose", "reason=injury"), "limb is none of"},
		{entry(clinical.KindRestriction, "limb=left arm"), "reason is missing"},
		{entry(clinical.KindRestriction, "limb=left arm", "reason=injury", "ended_at=2026-11-25T11:00:00Z"), "ended_at lies before started_at"},
		{entry(clinical.KindClearance, "by=\u200b", "cleared_at=2026-11-25T11:30:00Z"), "nobody is named"},
		{entry(clinical.KindClearance, "cleared_at=noon"), "cleared_at is not a time"},
		{entry(clinical.KindClearance, "cleared_at=2026-11-25T12:06:00Z"), "lies more than 5 minutes after"},
		{entry(clinical.KindAnswer, "answer=maybe"), "answer is none of"},
		{entry(clinical.KindAnswer, "answer=declined", "reason="+strings.Repeat("x", 501)), "longer than 500 bytes"},
		{entry(clinical.KindPrecaution), "precaution is missing"},
	} {
		_, err := charting(c.entry).Versions(time.UTC)
		if clinical.CodeOf(err) != clinical.Invalid || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v, want %q", c.entry, err, c.want)
		}
	}
	for _, c := range []Charting{{ID: "1", StayID: "S1", Entries: []Entry{{}}}, {ID: id, StayID: "S1"}} {
		if _, err := c.Versions(time.UTC); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("%+v: %v", c, err)
		}
	}
}

// The same content has the same sum whenever and by whom it is sent.
func TestTheSumOfWhatIsCharted(t *testing.T) {
	e := Entry{Kind: clinical.KindAnswer, Cells: map[string]string{"answer": "declined", "reason": "asleep"}}
	later := charting(e)
	later.At, later.Who = now.Add(time.Minute), "else"
	if charting(e).Message().Sum != later.Message().Sum {
		t.Error("sent again later it is another")
	}
	other := Entry{Kind: e.Kind, Cells: map[string]string{"answer": "declined", "reason": "in pain"}}
	if charting(other).Message().Sum == later.Message().Sum {
		t.Error("another reason has the same sum")
	}
}
