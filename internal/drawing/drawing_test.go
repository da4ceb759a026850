package drawing_test

import (
	"encoding/xml"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/drawing"
	"plumbline/internal/trends"
)

// drawn is a figure as a browser reads it.
type drawn struct {
	Class string `xml:"class,attr"`
	Label string `xml:"aria-label,attr"`
	Role  string `xml:"role,attr"`
	Paths []struct {
		Class string `xml:"class,attr"`
		D     string `xml:"d,attr"`
	} `xml:"path"`
}

func read(t *testing.T, svg string) drawn {
	t.Helper()
	var d drawn
	if err := xml.Unmarshal([]byte(svg), &d); err != nil {
		t.Fatalf("not XML: %v\n%s", err, svg)
	}
	return d
}

func (d drawn) path(class string) string {
	for _, p := range d.Paths {
		if p.Class == class {
			return p.D
		}
	}
	return ""
}

var pair = regexp.MustCompile(`[ML](-?[\d.]+) (-?[\d.]+)`)

// points are the ends of a path's lines.
func points(path string) (out [][2]float64) {
	for _, m := range pair.FindAllStringSubmatch(path, -1) {
		x, _ := strconv.ParseFloat(m[1], 64)
		y, _ := strconv.ParseFloat(m[2], 64)
		out = append(out, [2]float64{x, y})
	}
	return out
}

func value(v float64) *float64 { return &v }

// setOf is a set of given drops by minute.
func setOf(finding string, criteria []string, drops ...[3]float64) trends.Set {
	s := trends.Set{
		Kind: trends.LyingToStanding, Finding: finding, Criteria: criteria,
		Baseline: &trends.Baseline{Systolic: value(130), Diastolic: value(80)},
	}
	for _, d := range drops {
		s.Upright = append(s.Upright, trends.Upright{
			Minutes: value(d[0]), Position: clinical.Standing, Systolic: value(130 - d[1]), Diastolic: value(80 - d[2]),
			SystolicDrop: value(d[1]), DiastolicDrop: value(d[2]),
		})
		s.SystolicDrop, s.DiastolicDrop = most(s.SystolicDrop, d[1]), most(s.DiastolicDrop, d[2])
	}
	return s
}

func most(v *float64, w float64) *float64 {
	if v == nil || w > *v {
		return &w
	}
	return v
}

// The figure tells the drops of the set: read back from its lines they are the same, within
// the width of a hair, for every set that fits its scale.
func TestFiguresReadBack(t *testing.T) {
	random := rand.New(rand.NewPCG(14, 2))
	for range 2000 {
		var drops [][3]float64
		minute := 0.0
		for range 1 + random.IntN(drawing.MaxReadings) {
			minute += math.Round(random.Float64()*15) / 10
			drops = append(drops, [3]float64{min(minute, 10), float64(random.IntN(75) - 12), float64(random.IntN(60) - 12)})
		}
		s := setOf(trends.Negative, nil, drops...)
		d := read(t, drawing.Set(s, false, "words"))
		for class, column := range map[string]int{"sys": 1, "dia": 2} {
			got := points(d.path(class))
			if len(got) != len(drops)+1 {
				t.Fatalf("%s: %d points of %d readings", class, len(got)-1, len(drops))
			}
			for n, want := range drops {
				x, y := got[n+1][0], got[n+1][1]
				if m := (x - drawing.RiseAt) / drawing.PerMinute; math.Abs(m-want[0]) > 0.01 {
					t.Fatalf("minute %v drawn at %v", want[0], m)
				}
				if v := (y - drawing.Level) / drawing.PerMmHg; math.Abs(v-math.Min(want[column], drawing.Lowest)) > 0.03 {
					t.Fatalf("%s drop %v drawn as %v", class, want[column], v)
				}
			}
		}
	}
}

// The threshold is that of 20 and 10 mmHg, seated 15 and 7 (Shaw 2017): see docs/clinical.md.
func TestThresholds(t *testing.T) {
	for kind, want := range map[string][2]float64{trends.LyingToStanding: {20, 10}, trends.SittingToStanding: {15, 7}} {
		s := setOf(trends.Negative, nil, [3]float64{1, 3, 2})
		s.Kind = kind
		d := read(t, drawing.Set(s, false, ""))
		for class, mmHg := range map[string]float64{"th": want[0], "td": want[1]} {
			if got := (points(d.path(class))[0][1] - drawing.Level) / drawing.PerMmHg; math.Abs(got-mmHg) > 0.03 {
				t.Errorf("%s of %s is drawn at %v mmHg, want %v", class, kind, got, mmHg)
			}
		}
	}
}

// A finding is told by its shape, without any colour, on the reading that decides.
func TestShapeTellsTheFinding(t *testing.T) {
	shapes := map[string]string{}
	for finding, criteria := range map[string][]string{
		trends.Positive: {trends.CritSystolic}, trends.Negative: nil, trends.SymptomsOnly: nil, trends.Inconclusive: nil,
	} {
		d := read(t, drawing.Set(setOf(finding, criteria, [3]float64{1, 31, 9}, [3]float64{3, 22, 8}), false, ""))
		for _, p := range d.Paths {
			if p.Class == "is" || p.Class == "is fill" {
				shape := p.Class + p.D[strings.IndexAny(p.D, "hal"):]
				for other, s := range shapes {
					if s == shape {
						t.Errorf("%s and %s have one shape", finding, other)
					}
				}
				shapes[finding] = shape
			}
		}
	}
	if len(shapes) != 4 {
		t.Errorf("%d of 4 findings have a shape", len(shapes))
	}
	s := setOf(trends.Positive, []string{trends.CritDiastolic}, [3]float64{1, 12, 4}, [3]float64{3, 8, 14})
	s.Quality = trends.Complete
	d := read(t, drawing.Set(s, false, ""))
	mark := points(d.path("is fill"))[0]
	if x, y := mark[0]+4.5, mark[1]+3; math.Abs(x-drawing.X(value(3))) > 0.01 || math.Abs(y-drawing.Y(14)) > 0.01 {
		t.Errorf("a set positive by a diastolic drop of 14 at 3 min has its mark at %v, %v", x, y)
	}
}

// What was not charted is a cross, and no drop of zero.
func TestMissingIsNotZero(t *testing.T) {
	s := trends.Set{Finding: trends.Inconclusive, Upright: []trends.Upright{{Position: clinical.Standing, Systolic: value(120)}}}
	d := read(t, drawing.Set(s, false, ""))
	if d.path("sys") != "" || d.path("dia") != "" || d.path("cross") == "" {
		t.Errorf("a set without a baseline draws %+v", d.Paths)
	}
	strip := read(t, drawing.Strip([]trends.Set{s}, never, ""))
	if strip.path("cross") == "" || strip.path("open") != "" || strip.path("fill") != "" {
		t.Errorf("a set that cannot be read draws %+v in the strip", strip.Paths)
	}
}

func never(trends.Set) bool { return false }

// Symptoms, a set that was stopped early and one that something has overtaken are seen.
func TestSigns(t *testing.T) {
	s := setOf(trends.Negative, nil, [3]float64{1, 5, 2})
	plain := read(t, drawing.Set(s, false, ""))
	s.Symptoms, s.StoppedEarly = []string{"dizziness"}, true
	all := read(t, drawing.Set(s, true, ""))
	if plain.path("sign") != "" || plain.path("stop") != "" || all.path("sign") == "" || all.path("stop") == "" {
		t.Errorf("signs: %+v, %+v", plain.Paths, all.Paths)
	}
	if strings.Contains(plain.Class, "past") || !strings.Contains(all.Class, "past") {
		t.Errorf("classes %q, %q", plain.Class, all.Class)
	}
}

// The strip tells the drops of the latest sets in their order.
func TestStripReadsBack(t *testing.T) {
	random := rand.New(rand.NewPCG(14, 3))
	var sets []trends.Set
	for n := range 40 {
		drop := float64(random.IntN(70) - 10)
		finding, criteria := trends.Negative, []string(nil)
		if drop >= 20 {
			finding, criteria = trends.Positive, []string{trends.CritSystolic}
		}
		s := setOf(finding, criteria, [3]float64{1, drop, 0})
		s.StartedAt = time.Date(2026, 3, 1, n, 0, 0, 0, time.UTC)
		sets = append(sets, s)
		d := read(t, drawing.Strip(sets, never, "words"))
		shown := sets[max(0, len(sets)-drawing.MaxSets):]
		bars := map[float64]float64{}
		for _, class := range []string{"fill", "open"} {
			for _, m := range regexp.MustCompile(`M([\d.]+) 6V([\d.-]+)h`).FindAllStringSubmatch(d.path(class), -1) {
				x, _ := strconv.ParseFloat(m[1], 64)
				y, _ := strconv.ParseFloat(m[2], 64)
				bars[x] = (y - drawing.Level) / drawing.PerMmHg
			}
		}
		if len(bars) != len(shown) {
			t.Fatalf("%d bars of %d sets", len(bars), len(shown))
		}
		for k, one := range shown {
			if got := bars[drawing.BarX(k, len(shown))]; math.Abs(got-math.Min(*one.SystolicDrop, drawing.Lowest)) > 0.03 {
				t.Fatalf("drop %v drawn as %v", *one.SystolicDrop, got)
			}
		}
	}
}

// A figure is 1 KB at most, a reader of screens is told it, and no text of a feed is markup.
func TestSizeAndWords(t *testing.T) {
	random := rand.New(rand.NewPCG(14, 4))
	words := `lying 200/100, standing 96/61 at 10 min; drop 104 systolic, 39 diastolic; positive, classic, sustained, quality usable`
	var sets []trends.Set
	for range 300 {
		var drops [][3]float64
		for n := range 1 + random.IntN(30) {
			drops = append(drops, [3]float64{float64(n) / 3, random.Float64() * 60, random.Float64() * 40})
		}
		s := setOf(trends.Positive, []string{trends.CritSystolic}, drops...)
		s.Symptoms, s.StoppedEarly = []string{"dizziness"}, true
		sets = append(sets, s)
		for _, svg := range []string{drawing.Set(s, true, words), drawing.Strip(sets, never, words)} {
			if len(svg) > 1024 {
				t.Fatalf("%d bytes: %s", len(svg), svg)
			}
			if d := read(t, svg); d.Role != "img" || d.Label != words {
				t.Fatalf("role %q, label %q", d.Role, d.Label)
			}
		}
	}
	if d := read(t, drawing.Set(sets[0], false, `<b>"&'`)); d.Label != `<b>"&'` {
		t.Errorf("label %q", d.Label)
	}
}
