package feed

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

func TestNumbersAreDecimalAndOfAUsableSize(t *testing.T) {
	for text, want := range map[string]float64{
		"120": 120, "-3.5": -3.5, "+.5": 0.5, "7.": 7, "1e3": 1000, "2.5E-2": 0.025, "1e15": LargestNumber,
	} {
		if got, ok := ParseNumber(text); !ok || got != want {
			t.Errorf("%q is read as %g, %v", text, got, ok)
		}
	}
	for _, text := range []string{"", " 1", "1,5", "0x10", "1_000", "Inf", "NaN", "1e1000", "1e16", "12 mg", "--1", "."} {
		if got, ok := ParseNumber(text); ok || math.IsNaN(got) {
			t.Errorf("%q is taken for the number %g", text, got)
		}
	}
}

// happenedAt is a fact of each kind whose named time is at.
func happenedAt(at time.Time) map[string]clinical.Body {
	return map[string]clinical.Body{
		"admitted_at":                  clinical.Stay{AdmittedAt: at},
		"taken_at":                     clinical.Vitals{TakenAt: at},
		"given_at":                     clinical.Dose{GivenAt: at},
		"from":                         clinical.Fluid{From: at},
		"to":                           clinical.Fluid{To: at},
		"measured_at":                  clinical.Weight{MeasuredAt: at},
		"taken_at of a lab":            clinical.Lab{TakenAt: at},
		"started_at":                   clinical.Precaution{StartedAt: at},
		"fell_at":                      clinical.Fall{FellAt: at},
		"cleared_at":                   clinical.Clearance{ClearedAt: at},
		"answered_at":                  clinical.Answer{AnsweredAt: at},
		"given_at of a treatment":      clinical.Treatment{GivenAt: at},
		"an order's, which is planned": clinical.Order{StartAt: at},
	}
}

// What has happened cannot lie more than 5 minutes after it was charted or read; what is
// planned may. The reason says from when the row can be read.
func TestWhatHappenedDoesNotLieAhead(t *testing.T) {
	now := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	for name, body := range happenedAt(now.Add(5 * time.Minute)) {
		if why := Ahead(clinical.Version{RecordedAt: now, Body: body}, now); why != "" {
			t.Errorf("%s five minutes ahead: %s", name, why)
		}
	}
	late := now.Add(20 * time.Minute)
	for name, body := range happenedAt(late) {
		why := Ahead(clinical.Version{RecordedAt: now, Body: body}, now)
		column, _, _ := strings.Cut(name, " ")
		if _, planned := body.(clinical.Order); planned {
			if why != "" {
				t.Errorf("a plan lies ahead: %s", why)
			}
			continue
		}
		if !strings.HasPrefix(why, column+" 2026-11-02T10:20:00Z") {
			t.Errorf("%s twenty minutes ahead: %q", name, why)
		}
		from := AheadUntil(why)
		if again := Ahead(clinical.Version{RecordedAt: from, Body: body}, from); again != "" {
			t.Errorf("%s read again at %s: %s", name, from, again)
		}
		if before := Ahead(clinical.Version{Body: body}, from.Add(-2*time.Second)); before == "" {
			t.Errorf("%s can be read before %s", name, from)
		}
	}
	// The moment of charting counts where it is earlier, and a clock that is not set does not.
	past := clinical.Weight{MeasuredAt: now}
	if why := Ahead(clinical.Version{RecordedAt: now.Add(-time.Hour), Body: past}, now); why == "" {
		t.Error("a weight an hour after its charting is taken")
	}
	if why := Ahead(clinical.Version{Body: past}, now); why != "" {
		t.Errorf("a weight that does not say when it was charted: %s", why)
	}
	for _, other := range []string{"", "weight is missing", "soon" + aheadWords} {
		if until := AheadUntil(other); !until.IsZero() {
			t.Errorf("%q is ahead until %s", other, until)
		}
	}
}

// A part carries the body of any fact but stays and readings through JSON unchanged.
func TestPartsCarryBodies(t *testing.T) {
	at, dose := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC), 40.0
	for _, body := range []clinical.Body{
		clinical.Order{Drug: clinical.Drug{Text: "furosemide"}, Dose: &dose, StartAt: at},
		clinical.Dose{GivenAt: at, Dose: &dose}, clinical.Fluid{From: at, To: at.Add(time.Hour)},
		clinical.Weight{MeasuredAt: at}, clinical.Lab{TakenAt: at}, clinical.Condition{ICD10: "I95.1"},
		clinical.Precaution{StartedAt: at}, clinical.Fall{FellAt: at}, clinical.Restriction{Limb: "left arm", StartedAt: at},
		clinical.Clearance{ClearedAt: at}, clinical.Answer{AnsweredAt: at},
	} {
		text, err := json.Marshal(BodiesOf(body))
		if err != nil {
			t.Fatal(err)
		}
		var back Bodies
		if err := json.Unmarshal(text, &back); err != nil || !reflect.DeepEqual(back.Body(), body) {
			t.Errorf("%T comes back as %+v (%v)", body, back.Body(), err)
		}
	}
	for _, composed := range []clinical.Body{clinical.Stay{}, clinical.Vitals{}, nil} {
		if body := BodiesOf(composed).Body(); body != nil {
			t.Errorf("%T has a place: %+v", composed, body)
		}
	}
}

// A file is opened the same whether it is compressed or not, and what only begins like a
// compressed one says so.
func TestAFileIsOpenedWithOrWithoutCompression(t *testing.T) {
	const whole = "stay_id,weight\nS1,70\n"
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	_, _ = io.WriteString(z, whole)
	_ = z.Close()
	for name, data := range map[string]string{"plain": whole, "gzip": zipped.String(), "empty": ""} {
		text, head, err := Open(strings.NewReader(data))
		if err != nil {
			t.Fatal(name, err)
		}
		all, err := io.ReadAll(text)
		want := whole
		if name == "empty" {
			want = ""
		}
		if err != nil || string(all) != want || string(head) != want {
			t.Errorf("%s begins %q and is %q (%v)", name, head, all, err)
		}
	}
	if _, _, err := Open(strings.NewReader("\x1f\x8bno gzip")); err == nil || !strings.Contains(err.Error(), "is not readable as gzip") {
		t.Errorf("what only begins like gzip: %v", err)
	}
}
