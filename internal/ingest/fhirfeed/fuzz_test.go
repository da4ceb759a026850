package fhirfeed_test

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/records"
)

// rows is a sink that counts what it is handed, and keeps the parts as the store does.
type rows struct {
	t             *testing.T
	parts         map[string]map[string]records.Part // by ID and what tells versions apart
	topics        map[string]map[string]bool         // the IDs of the parts of each
	n             int
	held, skipped int
}

func newRows(t *testing.T) *rows {
	return &rows{t: t, parts: map[string]map[string]records.Part{}, topics: map[string]map[string]bool{}}
}

func (r *rows) Put(clinical.Version) error { r.t.Error("a version that was not composed"); return nil }

func (r *rows) Part(p records.Part) error { r.n++; return r.Beside(p) }

func (r *rows) Beside(p records.Part) error {
	if p.Feed != fhirfeed.Feed || p.ID == "" || len(p.Topics) == 0 || len(p.Body) == 0 || len(p.ID) > 600 {
		r.t.Errorf("a part without its identity: %+v", p)
	}
	if r.parts == nil {
		return nil
	}
	if r.parts[p.ID] == nil {
		r.parts[p.ID] = map[string]records.Part{}
	}
	r.parts[p.ID][p.RecordedAt.String()+string(p.Body)] = p
	for _, t := range p.Topics {
		if len(t.Name) > 700 {
			r.t.Errorf("a topic of %d bytes", len(t.Name))
		}
		if r.topics[t.Name] == nil {
			r.topics[t.Name] = map[string]bool{}
		}
		r.topics[t.Name][p.ID] = true
	}
	return nil
}

func (r *rows) look(topic string) (out []records.Part, err error) {
	for _, id := range slices.Sorted(maps.Keys(r.topics[topic])) {
		versions := slices.Collect(maps.Values(r.parts[id]))
		slices.SortFunc(versions, func(a, b records.Part) int {
			return cmp.Or(a.RecordedAt.Compare(b.RecordedAt), a.Line-b.Line, bytes.Compare(a.Body, b.Body))
		})
		out = append(out, versions...)
	}
	return out, nil
}

// compose composes every topic, and holds each version to what the store needs of it.
func (r *rows) compose(reader fhirfeed.Reader) {
	seen := map[string]bool{}
	for topic := range r.topics {
		made, err := reader.Compose(topic, r.look, feed.Options{})
		if err != nil {
			r.t.Error(err)
		}
		for _, v := range made.Versions {
			r.whole(v)
			id := fmt.Sprint(v.Kind, v.SourceID, v.RecordedAt)
			if seen[id] && v.Kind != clinical.KindStay { // two visits may bear one number
				r.t.Errorf("two versions of one moment: %s", id)
			}
			seen[id] = true
		}
	}
}

func (r *rows) whole(v clinical.Version) {
	switch {
	case v.SourceID == "" || v.Kind == "" || v.Status == "":
		r.t.Errorf("a version without its identity: %+v", v)
	case v.Body == nil && v.Status != clinical.EnteredInError:
		r.t.Errorf("a version that says nothing: %+v", v)
	case v.Body != nil && v.Body.FactKind() != v.Kind:
		r.t.Errorf("a %s that says a %s", v.Kind, v.Body.FactKind())
	case v.RecordedAt.IsZero() && v.Kind != clinical.KindCondition:
		r.t.Errorf("recorded at no time: %+v", v)
	case v.StayID == "" && v.PatientID == "" && v.Body != nil:
		r.t.Errorf("of nobody: %+v", v)
	}
}

func (r *rows) Hold(h records.Held) error {
	r.held++
	if h.Reason == "" || len(h.Original) == 0 {
		r.t.Errorf("held without a reason or without what was received: %+v", h)
	}
	return nil
}

func (r *rows) Skip(string, clinical.Kind) error { r.skipped++; return nil }
func (r *rows) Seen(records.SeenCode) error      { return nil }
func (r *rows) Notice(string)                    {}

// readAll reads a text as a load does.
func readAll(t *testing.T, s fhirfeed.Settings, text []byte) (r *rows, err error) {
	r = newRows(t)
	reader := fhirfeed.New(s)
	src, head, err := feed.Open(bytes.NewReader(text))
	if err != nil {
		return r, err
	}
	reader.Sniff("x", head)
	if err = reader.Read(src, "x.json", feed.Options{Zone: time.UTC, Now: now}, r); err == nil {
		r.compose(reader)
	}
	return r, err
}

func FuzzRead(f *testing.F) {
	for _, seed := range []string{
		bundled(pat1, ward, enc1, panel("B", "25T07:00:00Z", 142, 78, standingExtension)),
		bundled(bundled(obs("S", "8480-6", "25T07:00:00Z", ","+quantity("1e400", "mm[Hg]")))),
		enc1 + "\n\n" + pat1,
		bundled(pat1, ward, enc1, twoPositions(component("8867-4", quantity("70", "/min")))),
		`{"entry":[{"resource":{"resourceType":"Flag"}}],"resourceType":"Bundle"}`,
		`{"resourceType":"Bundle","entry":{"resource":{}}}`, `{"resourceType":"Bundle","entry":[null,{"fullUrl":5}]}`,
		`{"resourceType":"Observation","id":"C","status":"entered-in-error","meta":{"lastUpdated":"2026-11-25T08:00:00Z"}}`,
		`{"resourceType":"MedicationRequest","id":"M","status":"stopped","intent":"order","subject":{"reference":"#p"},
			"contained":[{"resourceType":"Patient","id":"p"}],"medicationReference":{"reference":"#p"}}`,
		"\xef\xbb\xbf{\"resourceType\":\"Patient\"}", "{}", "[]", "<", "{\"resourceType\":\"Bundle\",\"entry\":[", "\x1f\x8b",
	} {
		f.Add([]byte(seed))
	}
	settings := siteSettings(f)
	settings.MaxResource = 1 << 20
	f.Fuzz(func(t *testing.T, text []byte) { _, _ = readAll(t, settings, text) })
}

// A retry reads a held row once more: it is handed on once, and its reason is the same.
func TestAHeldRowReadAgainIsHeldOnce(t *testing.T) {
	d := newDesk(t)
	d.load(map[string]string{"b.json": bundled(pat1, ward, enc1, obs("B", "8480-6", "25T07:00:00Z", `,"valueQuantity":{"value":120}`))})
	s, err := d.Retry(t.Context())
	if err != nil || s.Held != 1 || s.Rows != 1 {
		t.Errorf("%v %s", err, ends(s))
	}
	// Put right by hand it counts, and joins what came beside it.
	d.load(map[string]string{"c.json": obs("D", "8462-4", "25T07:00:00Z", ","+quantity("70", "mm[Hg]"))})
	rows, err := d.db.HeldRows(t.Context(), records.HeldQuery{})
	if err != nil || len(rows) != 1 {
		t.Fatal(rows, err)
	}
	right := []byte(obs("B", "8480-6", "25T07:00:00Z", ","+quantity("120", "mm[Hg]")))
	if _, reason, err := d.Fix(t.Context(), rows[0].ID, rows[0].Context, right, "admin"); reason != "" || err != nil {
		t.Fatal(reason, err)
	}
	want := "vitals Observation/B 25.07:00 diastolic=70 systolic=120"
	if got := d.chart("E1", now); got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
}

// endless is a text of any length that takes no memory.
type endless struct {
	head, body, tail string
	times            int
	left             string
	step             int
}

func (e *endless) Read(p []byte) (n int, err error) {
	for e.left == "" {
		switch {
		case e.step == 0:
			e.left = e.head
		case e.step <= e.times:
			e.left = strings.ReplaceAll(e.body, "%d", fmt.Sprint(e.step))
		case e.step == e.times+1:
			e.left = e.tail
		default:
			return 0, errEnd
		}
		e.step++
	}
	n = copy(p, e.left)
	e.left = e.left[n:]
	return n, nil
}

var errEnd = errors.New("EOF was not waited for")

// peak is the largest heap seen while f runs.
func peak(f func()) (most uint64) {
	defer debug.SetGCPercent(debug.SetGCPercent(10)) // what is held, not what waits to be collected
	done := make(chan struct{})
	go func() { defer close(done); f() }()
	var m runtime.MemStats
	for {
		select {
		case <-done:
			return most
		case <-time.After(20 * time.Millisecond):
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapInuse)
		}
	}
}

// A line of 1 GB is refused once its bound is reached, and a Bundle of any length is read in
// the memory of a few resources.
func TestMemoryIsBounded(t *testing.T) {
	o := feed.Options{Zone: time.UTC, Now: now}
	reader := fhirfeed.New(siteSettings(t))
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	before := m.HeapInuse
	chunk := strings.Repeat("x", 1<<16)
	var err error
	most := peak(func() {
		line := &endless{head: `{"resourceType":"Patient","id":"`, body: chunk, times: 1 << 14} // 1 GiB
		err = reader.Read(line, "x.ndjson", o, &rows{t: t})
	})
	if err == nil || !strings.Contains(err.Error(), "more than 16777216 bytes") {
		t.Errorf("a line of 1 GB: %v", err)
	}
	if most > before+160<<20 {
		t.Errorf("a line of 1 GB took %d MB", (most-before)>>20)
	}
	if testing.Short() {
		return
	}
	r := &rows{t: t}
	most = peak(func() {
		weight := `,{"resource":` + obs("W%d", "29463-7", "25T07:00:00Z", ","+quantity("70", "kg")) + "}\n"
		long := &endless{head: `{"resourceType":"Bundle","entry":[{}`, body: weight, times: 30_000, tail: "]}"}
		err = reader.Read(long, "x.json", o, r)
	})
	if r.n < 29_000 || !errors.Is(err, errEnd) && err != nil && !strings.Contains(err.Error(), errEnd.Error()) {
		t.Errorf("%d rows, %v", r.n, err)
	}
	if most > before+64<<20 {
		t.Errorf("a Bundle of 30,000 weights took %d MB", (most-before)>>20)
	}
}

// Twice as much takes about twice as long, also where all of it is of one patient and moment,
// and where it nests or breaks.
func TestTimeDoesNotGrowFasterThanTheText(t *testing.T) {
	for name, text := range map[string]func(n int) string{
		"pulses of one moment": func(n int) string {
			var list []string
			for k := range n {
				list = append(list, obs(fmt.Sprint("P", k), "8867-4", "25T07:00:00Z", ","+quantity("70", "/min")))
			}
			return bundled(list...)
		},
		"versions of one pressure": func(n int) string {
			var list []string
			for k := range n {
				list = append(list, panel("B", "25T07:00:00Z", 120, 70, updated(now.Add(-5*time.Hour).Add(time.Duration(k)*time.Second).Format("02T15:04:05"))))
			}
			return bundled(list...)
		},
		"Bundles in Bundles": func(n int) string {
			var list []string
			for range n / 20 {
				text := pat1
				for range 20 {
					text = bundled(text)
				}
				list = append(list, text)
			}
			return bundled(list...)
		},
	} {
		taken := func(n int) time.Duration {
			data := []byte(text(n))
			start := time.Now()
			if _, err := readAll(t, siteSettings(t), data); err != nil {
				t.Fatal(name, err)
			}
			return time.Since(start)
		}
		small, large := taken(300), taken(4800)
		if large > 120*small+time.Second { // sixteen times as much: 256 times would be quadratic
			t.Errorf("%s: 300 take %s, 4800 take %s", name, small, large)
		}
	}
}
