package app

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/outbox"
	"plumbline/internal/records"
	"plumbline/internal/report"
)

// queuedItems are the messages queued, oldest first.
func queuedItems(t *testing.T, s *site) (out []outbox.Item) {
	t.Helper()
	all, err := s.store.OutgoingOf(t.Context(), "V1")
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range all {
		i, err := outbox.Read(o)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, i)
	}
	return out
}

var echoFiles = 0

// echoed loads what the record has made of a message, as it was known there at a moment.
func echoed(t *testing.T, s *site, name string, text []byte) ingest.Summary {
	t.Helper()
	echoFiles++
	path := filepath.Join(t.TempDir(), fmt.Sprintf("%d-%s", echoFiles, name))
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	sum, err := s.loader.Load(t.Context(), []string{path}, "test")
	if err != nil {
		t.Fatal(err)
	}
	if ends := sum.Accepted + sum.Unchanged + sum.Superseded + sum.Waiting + sum.Skipped + sum.Held; ends != sum.Rows {
		t.Fatalf("the ends add up to %d of %d rows: %+v", ends, sum.Rows, sum)
	}
	return sum
}

// byHL7 is the message as a record sends it on later, with a number of its own.
func byHL7(s *site, i outbox.Item, at time.Time, put ...string) []byte {
	text := string(outbox.HL7{Application: "R", Zone: s.settings.zone}.Message(i))
	fields := strings.SplitN(text, "|", 11)
	fields[6], fields[9] = at.UTC().Format("20060102150405"), fmt.Sprintf("R%d", at.UnixMicro())
	return []byte(strings.NewReplacer(put...).Replace(strings.Join(fields, "|")))
}

// byFHIR are the resources as a server hands them out later, with ids of its own.
func byFHIR(t *testing.T, s *site, i outbox.Item, at time.Time, put ...string) []byte {
	t.Helper()
	var b map[string]any
	if err := json.Unmarshal(outbox.FHIRMaker{Zone: s.settings.zone}.Bundle(i), &b); err != nil {
		t.Fatal(err)
	}
	b["type"] = "collection"
	for _, e := range b["entry"].([]any) {
		e := e.(map[string]any)
		r := e["resource"].(map[string]any)
		r["id"] = strings.TrimPrefix(e["fullUrl"].(string), "urn:uuid:")
		r["meta"] = map[string]any{"lastUpdated": at.UTC().Format(time.RFC3339Nano)}
		delete(r, "issued")
		delete(e, "fullUrl")
		delete(e, "request")
	}
	text, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return []byte(strings.NewReplacer(put...).Replace(string(text)))
}

// chartedNow is what is used of a stay: its readings and sets, in a line each.
func chartedNow(t *testing.T, s *site, at time.Time) string {
	t.Helper()
	view, err := s.service.Stay(t.Context(), "V1", at)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, f := range report.FactsOf(view.Chart, s.service.Policy.Current().Policy.Plausible).Facts {
		if f.Kind != clinical.KindStay && f.Used {
			id := f.SourceID[strings.LastIndex(f.SourceID, "-")+1:]
			v := f.Values
			out = append(out, fmt.Sprintf("%s %s %v/%v %v %v %v %v", id, f.At.Format("15:04:05"), v["systolic"], v["diastolic"],
				v["heart_rate"], v["position"], v["minutes_in_position"], v["symptoms"]))
		}
	}
	for _, set := range view.Assessment.Digest.Sets {
		out = append(out, fmt.Sprintf("set %s of %d", set.Finding, len(set.Facts)))
	}
	return strings.Join(out, "\n")
}

// echoTest is a site that took a set at seven and hears of it again until noon.
type echoTest struct {
	*testing.T
	*site
	way     string
	now     time.Time
	minutes int // since seven, of what the record has last made known
}

var seven = time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)

func newEchoTest(t *testing.T, way string) *echoTest {
	t.Helper()
	env := map[string]string{"PLUMBLINE_MLLP_SEND": "127.0.0.1:1"}
	if way == outbox.FHIR {
		env = map[string]string{"PLUMBLINE_FHIR_SEND_URL": "http://127.0.0.1:1/fhir"}
	}
	e := &echoTest{T: t, way: way, now: seven}
	_, e.site = outboxSite(t, env, &e.now)
	takeSet(t, e.site, "V1", seven)
	e.now = seven.Add(5 * time.Hour)
	return e
}

// hear takes in what the record has made of a message, ten minutes after the last; put are pairs of what
// stands there in place of what was sent.
func (e *echoTest) hear(i outbox.Item, put ...string) ingest.Summary {
	e.Helper()
	e.minutes += 10
	return e.hearAt(i, e.minutes, put...)
}

func (e *echoTest) hearAt(i outbox.Item, minutes int, put ...string) ingest.Summary {
	e.Helper()
	at := seven.Add(time.Duration(minutes) * time.Minute)
	if e.way == outbox.MLLP {
		return echoed(e.T, e.site, "e.hl7", byHL7(e.site, i, at, put...))
	}
	return echoed(e.T, e.site, "e.json", byFHIR(e.T, e.site, i, at, put...))
}

func (e *echoTest) is(what, want string) {
	e.Helper()
	if got := chartedNow(e.T, e.site, e.now); got != want {
		e.Errorf("%s:\n%s\nwant\n%s", what, got, want)
	}
}

// correctHere corrects the first reading here, so many minutes after seven; nil takes it back.
func (e *echoTest) correctHere(systolic *float64, minutes int) {
	e.Helper()
	k := queuedItems(e.T, e.site)[0].Facts[0]
	at := seven.Add(time.Duration(minutes) * time.Minute)
	v := clinical.Version{
		Kind: clinical.KindVitals, SourceID: k.SourceID, StayID: "V1", RecordedAt: at, Stated: true,
		Status: clinical.EnteredInError, Feed: bedside.Feed, File: bedside.Feed, Line: 1,
	}
	if systolic != nil {
		b := *k.Vitals
		b.Systolic, v.Status = systolic, clinical.Corrected
		v.Body = b
	}
	m := records.Message{Feed: bedside.Feed, ID: bedside.NewID(), Sum: "x", StayID: "V1", Who: "nurse-1", ReceivedAt: at}
	if _, err := e.loader.Record(e.Context(), m, []clinical.Version{v}); err != nil {
		e.Fatal(err)
	}
}

// acknowledge is that the record took all that waits, so many minutes after seven.
func (e *echoTest) acknowledge(minutes int) {
	e.Helper()
	at := seven.Add(time.Duration(minutes) * time.Minute)
	for {
		due, err := e.store.DueOutgoing(e.Context(), e.way, e.now, 100)
		if err != nil {
			e.Fatal(err)
		}
		if len(due) == 0 {
			return
		}
		for _, o := range due {
			o.State, o.DoneAt, o.NextAt = records.SendSent, at, at
			if err := e.store.Tried(e.Context(), o, at); err != nil {
				e.Fatal(err)
			}
		}
	}
}

// put is what makes a systolic another in a message of either way.
func put(was, is string) []string {
	return []string{"LN||" + was + "|", "LN||" + is + "|", `"value":` + was + `}`, `"value":` + is + `}`}
}

func TestAnEchoWithIdentityMakesNoSecondSet(t *testing.T) {
	for _, way := range outbox.Channels {
		t.Run(way, func(t *testing.T) {
			e := newEchoTest(t, way)
			taken := chartedNow(t, e.site, e.now)
			if !strings.Contains(taken, "base 06:56:00 142/78 70 lying 5 []") || !strings.Contains(taken, "set positive of 2") {
				t.Fatalf("taken: %s", taken)
			}
			first := queuedItems(t, e.site)[0]
			sum := e.hear(first)
			e.is("its echo", taken)
			if sum.Accepted != 0 || sum.Unchanged == 0 || sum.Superseded != 0 || sum.Held != 0 {
				t.Errorf("the echo was counted as %+v", sum)
			}
			e.hear(first)
			e.is("a repeat of it", taken)
			// The record corrects: that figure alone.
			sum = e.hear(first, put("142", "150")...)
			corrected := strings.Replace(taken, "142/78", "150/78", 1)
			e.is("a correction in the record", corrected)
			if sum.Accepted == 0 {
				t.Errorf("the correction was counted as %+v", sum)
			}
			e.hear(first)
			e.is("the record takes its correction back", taken)
			// Corrected here: a late echo of the first version undoes nothing, until the record has taken ours.
			e.minutes += 10
			value := 146.0
			e.correctHere(&value, e.minutes)
			here := strings.Replace(taken, "142/78", "146/78", 1)
			e.is("a correction here", here)
			e.hear(first)
			e.is("a late echo of the first", here)
			e.acknowledge(e.minutes + 30)
			e.hear(first)
			e.is("one recorded before the record took the correction", here)
			second := queuedItems(t, e.site)[1]
			e.minutes += 30
			e.hear(second)
			e.is("the echo of the correction", here)
			e.hear(first)
			e.is("the record has the first again, and means it", taken)
			e.minutes += 10
			e.correctHere(nil, e.minutes)
			gone := chartedNow(t, e.site, e.now)
			if strings.Contains(gone, "base") {
				t.Fatalf("taken back here: %s", gone)
			}
			e.hear(second)
			e.is("a late echo of what was taken back", gone)
			items := queuedItems(t, e.site)
			e.hear(items[len(items)-1])
			e.is("the echo of that it was", gone)
		})
	}
}

func TestWhatIsTakenBackInTheRecordIsTakenBackHere(t *testing.T) {
	for _, way := range outbox.Channels {
		t.Run(way, func(t *testing.T) {
			e := newEchoTest(t, way)
			first := queuedItems(t, e.site)[0]
			e.hear(first)
			for n := range first.Facts {
				first.Facts[n].Removed = true
			}
			e.hear(first)
			e.is("both readings", "")
		})
	}
}

// Orders of arrival, delays, repeats, losses and corrections here are drawn: what counts is the last that
// was taken here, whatever comes back, and there is one set of it.
func TestNoOrderOfEchoesMakesASecondSet(t *testing.T) {
	draws := 6
	if !testing.Short() {
		draws = 40
	}
	for n := range draws {
		way := outbox.Channels[n%2]
		r := rand.New(rand.NewPCG(7, uint64(n)))
		t.Run(fmt.Sprintf("%s %d", way, n), func(t *testing.T) {
			e := newEchoTest(t, way)
			if r.IntN(2) == 0 {
				value := float64(150 + r.IntN(10))
				e.correctHere(&value, 5)
			}
			alone := chartedNow(t, e.site, e.now)
			items := queuedItems(t, e.site)
			e.acknowledge(60)
			var heard []outbox.Item
			for _, i := range items {
				for range r.IntN(3) { // lost, once or twice
					heard = append(heard, i)
				}
			}
			r.Shuffle(len(heard), func(a, b int) { heard[a], heard[b] = heard[b], heard[a] })
			identities := r.IntN(3) > 0
			for _, i := range heard {
				var without []string
				if !identities {
					without = []string{"bedside-", "theirs-", i.Installation, "00000000-0000-4000-8000-000000000000"}
				}
				e.hearAt(i, 10+r.IntN(45), without...)
				e.is("after an echo", alone)
			}
		})
	}
}
