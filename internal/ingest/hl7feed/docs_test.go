package hl7feed_test

import (
	"os"
	"strings"
	"testing"

	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/testdb/teststore"
)

// The messages of docs/integration.md are loaded as they stand there, with its table of codes.
func TestTheMessagesOfTheGuideAreRead(t *testing.T) {
	text, err := os.ReadFile("../../../docs/integration.md")
	if err != nil {
		t.Fatal(err)
	}
	var messages []string
	table := ""
	for _, block := range strings.Split(string(text), "```") {
		if hl7, ok := strings.CutPrefix(block, "hl7\n"); ok {
			messages = append(messages, hl7)
		}
		if yaml, ok := strings.CutPrefix(block, "yaml\n"); ok {
			table = yaml
		}
	}
	entries, err := codes.Read([]byte(table))
	if err != nil {
		t.Fatal(err)
	}
	d := newDesk(t, teststore.Empty(t))
	d.Readers = []feed.Reader{hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: []string{"IMP"}, Codes: codes.New(entries)}}}
	got := d.load(messages...)
	if !strings.Contains(got, " 0 waiting 0 skipped 0 quarantined") {
		t.Errorf("%d blocks: %s", len(messages), got)
	}
	want := `stays V1 final: 99 4W/12-A Doe, Janet 1941-02-03 from 24T08:00 to open
vitals O7/1/2026-11-25T07:00:00Z final: 25T07:00 142/78 70 lying - []
vitals O8/1/2026-11-25T07:03:00Z final: 25T07:03 108.008928/- - standing 3 [dizziness]
orders R1 stopped: Furosemide 40 mg C03CA01 40mg oral 2 a day from 24T10:00 to 25T08:00
doses R1/1/2026-11-24T10:02:00Z completed: furosemide C03CA01 40mg at 24T10:02 of R1`
	if chart := d.chart("V1", now); !strings.HasPrefix(chart, strings.Split(want, "\nvitals O8")[0]) {
		t.Errorf("got\n%s\nwant\n%s", chart, want)
	} else {
		for _, line := range append(strings.Split(want, "\n"), "weights O9/1/", "labs O9/2/", "restrictions O9/3/", "precautions O9/4/",
			"clearances O9/5/", "answers O9/6/", "falls O9/7/", "conditions V1/DG1/G20") {
			if !strings.Contains(chart, line) {
				t.Errorf("no %s in\n%s", line, chart)
			}
		}
	}
}
