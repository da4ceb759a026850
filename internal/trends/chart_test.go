package trends

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// noon is the moment from which the charts of these tests count.
var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func minutesOn(m float64) time.Time { return noon.Add(time.Duration(m * float64(time.Minute))) }
func hoursOn(h float64) time.Time   { return minutesOn(60 * h) }

// chart gathers the facts of one stay for a test.
type chart struct {
	t        *testing.T
	stay     clinical.Stay
	policy   clinical.Policy
	versions []clinical.Version
	asOf     time.Time
}

// newChart is a stay of an 80-year-old admitted ten days before noon, looked at
// ten days after it.
func newChart(t *testing.T) *chart {
	t.Helper()
	return &chart{
		t: t, policy: clinical.DefaultPolicy(), asOf: hoursOn(240),
		stay: clinical.Stay{PatientID: "P", Unit: "4W", BirthDate: "1946-01-01", AdmittedAt: hoursOn(-240)},
	}
}

func (c *chart) add(v clinical.Version) *chart {
	if v.StayID == "" {
		v.StayID = "S"
	}
	if v.RecordedAt.IsZero() {
		v.RecordedAt = v.Body.OwnTime()
	}
	v.Kind, v.Stated, v.Line = v.Body.FactKind(), true, len(c.versions)
	c.versions = append(c.versions, v)
	return c
}

func (c *chart) body(id string, b clinical.Body) *chart {
	c.t.Helper()
	return c.add(clinical.Version{SourceID: id, Status: clinical.Final, Body: b})
}

// readings charts readings written as "minute position systolic/diastolic pulse
// key=value ...", parted by semicolons; "-" and "?" are not charted. Keys: id,
// up (minutes in position), limb, set, sym (+ for a further one, _ for a
// space) and the word stop.
func (c *chart) readings(spec string) *chart {
	c.t.Helper()
	for n, one := range strings.Split(spec, ";") {
		f := strings.Fields(one)
		id := fmt.Sprintf("r%02d", len(c.versions)+n)
		v := clinical.Vitals{TakenAt: minutesOn(*c.number(f[0])), Position: clinical.Position(f[1])}
		if f[1] == "-" {
			v.Position = clinical.NoPosition
		}
		for _, w := range f[2:] {
			key, value, isKey := strings.Cut(w, "=")
			systolic, diastolic, isPressure := strings.Cut(w, "/")
			switch {
			case isKey && key == "id":
				id = value
			case isKey && key == "up":
				v.MinutesInPosition = c.number(value)
			case isKey && key == "limb":
				v.Limb = strings.ReplaceAll(value, "_", " ")
			case isKey && key == "set":
				v.SetID = value
			case isKey && key == "sym":
				for _, s := range strings.Split(value, "+") {
					v.Symptoms = append(v.Symptoms, strings.ReplaceAll(s, "_", " "))
				}
			case w == "stop":
				v.StoppedEarly = true
			case isPressure:
				v.Systolic, v.Diastolic = c.number(systolic), c.number(diastolic)
			default:
				v.HeartRate = c.number(w)
			}
		}
		c.body(id, v)
	}
	return c
}

func (c *chart) number(s string) *float64 {
	c.t.Helper()
	if s == "-" || s == "?" {
		return nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		c.t.Fatalf("the test writes a number as %q", s)
	}
	return &v
}

func (c *chart) digest() Digest {
	c.t.Helper()
	vs := append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...)
	return DigestOf(clinical.ChartAt("S", vs, c.asOf), c.policy, time.UTC)
}

func (c *chart) exposures() Exposures {
	c.t.Helper()
	return ExposuresAt(c.digest(), c.policy, c.asOf)
}

func (c *chart) sets() []Set {
	c.t.Helper()
	return c.digest().Sets
}

// set is the one set of the chart.
func (c *chart) set() Set {
	c.t.Helper()
	sets := c.sets()
	if len(sets) != 1 {
		c.t.Fatalf("%d sets, want one", len(sets))
	}
	return sets[0]
}

// setOf is the one set that readings make.
func setOf(t *testing.T, spec string) Set {
	t.Helper()
	return newChart(t).readings(spec).set()
}

// show writes a figure that may be unknown.
func show(v *float64) string {
	if v == nil {
		return "null"
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

func wantFigure(t *testing.T, what string, got *float64, want string) {
	t.Helper()
	if show(got) != want {
		t.Errorf("%s = %s, want %s", what, show(got), want)
	}
}

func wantWords(t *testing.T, what string, got []string, want string) {
	t.Helper()
	if strings.Join(got, ", ") != want {
		t.Errorf("%s = %q, want %q", what, strings.Join(got, ", "), want)
	}
}

func has(words []string, word string) bool { return slices.Contains(words, word) }
