package bedside

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// ChartedKinds are the kinds of facts that a page may chart.
var ChartedKinds = []clinical.Kind{
	clinical.KindRestriction, clinical.KindClearance, clinical.KindAnswer, clinical.KindPrecaution,
}

// Charting is what somebody charts on a page at once: facts of one stay, all of them or
// none. Sent again under its ID it is answered and not stored again.
type Charting struct {
	ID      string    `json:"form_id"` // of NewID, made with the form
	StayID  string    `json:"stay_id"`
	Entries []Entry   `json:"facts"`
	Who     string    `json:"-"` // account
	At      time.Time `json:"-"` // the server's receipt
}

// Entry is one fact as a row of the CSV feed would say it.
type Entry struct {
	Kind clinical.Kind `json:"kind"` // of ChartedKinds
	// SourceID names a fact that is changed, as where it ends; "" for a new one.
	SourceID string `json:"source_id,omitempty"`
	// Removed takes the fact named back as entered in error; no cells are needed.
	Removed bool `json:"removed,omitempty"`
	// Cells are by the columns of docs/feeds.md, without source_id, stay_id, recorded_at and
	// status. A fact's own time (started_at, cleared_at, answered_at) that is empty is the
	// receipt, and so is any time that is Now; times without an offset are in the site's zone.
	Cells map[string]string `json:"cells,omitempty"`
}

// Now is a time of an Entry that is the server's receipt.
const Now = "now"

// Cell is a moment as a cell of an Entry.
func Cell(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// longestCell bounds what somebody may write into one field, in bytes.
const longestCell = 500

// Versions are the facts of what was charted, recorded at the receipt. The error carries
// clinical.Invalid and says what cannot be used, as the feed would.
func (c Charting) Versions(zone *time.Location) ([]clinical.Version, error) {
	if !uuid.MatchString(c.ID) || len(c.Entries) == 0 {
		return nil, clinical.Errorf(clinical.Invalid, "the form has lost its number, or says nothing; open it again")
	}
	out := make([]clinical.Version, len(c.Entries))
	for n, e := range c.Entries {
		v, reason := c.version(n, e, feed.Options{Zone: zone, Now: c.At})
		if reason != "" {
			return nil, clinical.Errorf(clinical.Invalid, "%s: %s", e.Kind, reason)
		}
		out[n] = v
	}
	return out, nil
}

// ownTimes are the columns of the times at which what is charted here holds.
var ownTimes = map[clinical.Kind]string{
	clinical.KindRestriction: "started_at", clinical.KindClearance: "cleared_at",
	clinical.KindAnswer: "answered_at", clinical.KindPrecaution: "started_at",
}

func (c Charting) version(n int, e Entry, o feed.Options) (v clinical.Version, reason string) {
	own, ok := ownTimes[e.Kind]
	if !ok {
		return v, "facts of this kind are not charted here"
	}
	id := e.SourceID
	if id == "" {
		id = fmt.Sprintf("%s-%s-%s-%d", Feed, c.ID, e.Kind, n+1)
	}
	receipt := Cell(c.At)
	header := []string{"source_id", "stay_id", "recorded_at", "status"}
	record := []string{id, c.StayID, receipt, string(clinical.Final)}
	if e.Removed {
		record[3] = string(clinical.EnteredInError)
	}
	for _, column := range csvfeed.Columns(e.Kind) {
		if slices.Contains(header, column) {
			continue
		}
		cell := strings.TrimSpace(e.Cells[column])
		if len(cell) > longestCell {
			return v, fmt.Sprintf("%s is longer than %d bytes", column, longestCell)
		}
		if cell == "" && column == own || cell == Now && (column == own || column == "ended_at") {
			cell = receipt
		}
		header, record = append(header, column), append(record, cell)
	}
	v, reason = csvfeed.Parse(e.Kind, header, record, o)
	if reason == "" && endsBeforeItBegan(v.Body) {
		reason = "ended_at lies before started_at"
	}
	if b, is := v.Body.(clinical.Clearance); is && reason == "" && !clinical.NamesPerson(b.By) {
		reason = "nobody is named; say which provider cleared the patient to stand"
	}
	v.Feed, v.File, v.Line = Feed, Feed, n+1
	return v, reason
}

func endsBeforeItBegan(body clinical.Body) bool {
	switch b := body.(type) {
	case clinical.Restriction:
		return b.EndedAt != nil && b.EndedAt.Before(b.StartedAt)
	case clinical.Precaution:
		return b.EndedAt != nil && b.EndedAt.Before(b.StartedAt)
	}
	return false
}

// Message is what was charted as the message by which it came.
func (c Charting) Message() records.Message {
	body, err := json.Marshal(c)
	if err != nil {
		panic(err) // strings alone: they can be written
	}
	sum := sha256.Sum256(body)
	return records.Message{
		Feed: Feed, ID: c.ID, Sum: hex.EncodeToString(sum[:]), StayID: c.StayID, Who: c.Who, ReceivedAt: c.At, Body: body,
	}
}

var ofForm = regexp.MustCompile(`^` + Feed + `-([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})-`)

// FormOf is the id of the form or set by which a fact was charted or measured here, under which its
// message says who did; "" for a fact of another feed.
func FormOf(sourceID string) string {
	if m := ofMeasured.FindStringSubmatch(sourceID); m != nil {
		return m[1]
	}
	if m := ofForm.FindStringSubmatch(sourceID); m != nil {
		return m[1]
	}
	return ""
}
