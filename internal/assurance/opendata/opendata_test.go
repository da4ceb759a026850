package opendata

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/jackc/pgx/v5"

	"plumbline/internal/testdb"
)

// near lets figures differ by the rounding of sums taken in another order.
var near = cmpopts.EquateApprox(1e-9, 1e-9)

// answers is what the program says of a trial that it has loaded.
type answers struct {
	mid  map[string]patient // the list in the middle of the trial
	end  map[string]patient // and after its end
	sets map[string][]set   // after its end, of the stays that were asked for
	all  bool               // every stay was
}

// loaded is a trial that the program has loaded.
type loaded struct {
	program program
	summary summary
}

func loadInto(t *testing.T, tr trial, database string, given bool) loaded {
	t.Helper()
	p := program{database}
	return loaded{p, p.load(t, convert(t, tr, given).write(t))}
}

// answers asks for the lists, and for the sets of every n-th stay.
func (l loaded) answers(t *testing.T, m moments, nth int) answers {
	t.Helper()
	a := answers{mid: l.program.list(t, m.mid), end: l.program.list(t, m.end), sets: map[string][]set{}, all: nth == 1}
	for n, id := range slices.Sorted(maps.Keys(a.end)) {
		if n%nth == 0 {
			a.sets[id] = l.program.sets(t, id, m.end)
		}
	}
	return a
}

// moments are those for which the program is asked: at midnight of the middle one
// of the days with visits, and two days after the last.
type moments struct{ mid, end time.Time }

func (c converted) moments() moments {
	return moments{c.days[len(c.days)/2], c.days[len(c.days)-1].AddDate(0, 0, 2)}
}

// The program agrees with figures worked out in SQL from the raw tables, whether
// the readings of a visit are kept together or have to be inferred, on both
// engines and at two moments.
func TestTheProgramAgreesWithTheRawTables(t *testing.T) {
	for _, tr := range trials(t) {
		t.Run(tr.name, func(t *testing.T) {
			ask := convert(t, tr, true).moments()
			given := loadInto(t, tr, filepath.Join(t.TempDir(), "given.db"), true)
			inferred := loadInto(t, tr, filepath.Join(t.TempDir(), "inferred.db"), false)
			t.Run("given and inferred sets agree", func(t *testing.T) {
				sameFindings(t, given.program.list(t, ask.end), inferred.program.list(t, ask.end))
			})
			t.Run("figures in SQL", func(t *testing.T) { compare(t, tr, ask, given, inferred) })
		})
	}
}

// Where both halves of the trial are there, the table of its vital signs is that of
// all subjects, as the trial published it.
func TestTheHalvesMakeOneTable(t *testing.T) {
	all := trials(t)
	whole, ok := together(all)
	if !ok {
		t.Skip("there is one half of the trial only; its own table stands in the log of the other test")
	}
	f := newFigures(t, whole)
	if n := f.number(t, "SELECT count(*) - count(DISTINCT usubjid) FROM dm"); n != 0 {
		t.Skipf("%v subjects are in more than one folder, so these are not halves of one trial", n)
	}
	rows := 0
	for _, tr := range all {
		rows += len(tr.rows(t, vitalSigns))
	}
	if n := f.number(t, "SELECT count(*) FROM vs"); n != float64(rows) {
		t.Errorf("the table of all subjects has %v rows of vital signs, its parts %d", n, rows)
	}
	t.Log(f.summaryTable(t))
}

// sameFindings holds what is inferred to what is given. A visit without a lying or
// without a standing reading is a set only where it is given as one.
func sameFindings(t *testing.T, given, inferred map[string]patient) {
	t.Helper()
	if len(given) == 0 || len(given) != len(inferred) {
		t.Errorf("%d stays where sets are given, %d where they are inferred", len(given), len(inferred))
	}
	for id, pt := range given {
		a, b := pt.Serial, inferred[id].Serial
		if a.Sets < b.Sets {
			t.Errorf("%s: %d sets are inferred, of %d given", id, b.Sets, a.Sets)
		}
		a.Sets, b.Sets = 0, 0
		if d := cmp.Diff(a, b, near); d != "" {
			t.Errorf("%s: given (-) and inferred (+):\n%s", id, d)
		}
	}
}

// sample is how many stays apart those are whose sets are asked for on PostgreSQL
// too, one command each; the lists there speak of every stay.
const sample = 10

// compare holds the program's answers to figures worked out in SQL.
func compare(t *testing.T, tr trial, ask moments, given, inferred loaded) {
	t.Helper()
	f := newFigures(t, tr)
	onPostgres := loadInto(t, tr, testdb.Postgres(t), true)
	for _, c := range []struct {
		name   string
		loaded loaded
		given  bool
		nth    int
	}{
		{"given on sqlite", given, true, 1},
		{"given on postgres", onPostgres, true, sample},
		{"inferred on sqlite", inferred, false, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			compareSummary(t, f, c.loaded.summary)
			a := c.loaded.answers(t, ask, c.nth)
			f.ask(t, ask.mid, c.given)
			compareStays(t, f, a.mid)
			f.ask(t, ask.end, c.given)
			compareStays(t, f, a.end)
			compareSets(t, f, a)
			compareWeights(t, f)
			compareDrugs(t, f, a.end)
			if a.all {
				compareUnit(t, f, a)
				checkTotals(t, tr, f, c.given)
			}
		})
	}
	t.Log(f.summaryTable(t))
}

// compareSummary holds the load's summary to the rows that the raw tables ask for.
func compareSummary(t *testing.T, f figures, s summary) {
	t.Helper()
	stays := f.number(t, "SELECT count(*) FROM stay")
	readings := f.number(t, "SELECT count(*) FROM charted")
	weights := f.number(t, "SELECT count(*) FROM weight")
	drugs := f.number(t, "SELECT count(*) FROM drug")
	waiting := f.number(t, "SELECT count(*) FROM drug WHERE start_at IS NOT NULL AND usubjid NOT IN (SELECT usubjid FROM stay)")
	held := f.number(t, "SELECT count(*) FROM drug WHERE start_at IS NULL")
	rows := stays + readings + weights + drugs
	want := map[string]float64{
		"files": 4, "unreadable": 0, "rows": rows, "accepted": rows - waiting - held, "unchanged": 0, "superseded": 0,
		"waiting": waiting, "skipped": 0, "quarantined": held,
		"implausible": f.number(t, "SELECT count(*) FROM reading WHERE implausible"),
	}
	got := map[string]float64{
		"files": float64(s.Files), "unreadable": float64(s.Unreadable), "rows": float64(s.Rows), "accepted": float64(s.Accepted),
		"unchanged": float64(s.Unchanged), "superseded": float64(s.Superseded), "waiting": float64(s.Waiting),
		"skipped": float64(s.Skipped), "quarantined": float64(s.Held), "implausible": 0,
	}
	for _, p := range s.Problems {
		if strings.HasPrefix(p.Reason, "implausible:") {
			got["implausible"]++
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("the load: raw tables (-) and program (+):\n%s", d)
	}
}

func compareStays(t *testing.T, f figures, list map[string]patient) {
	t.Helper()
	want := f.stays(t)
	if d := cmp.Diff(slices.Sorted(maps.Keys(want)), slices.Sorted(maps.Keys(list))); d != "" {
		t.Errorf("stays on the list: raw tables (-) and program (+):\n%s", d)
	}
	if len(want) == 0 {
		t.Error("no stay to compare")
	}
	for id, w := range want {
		if d := cmp.Diff(w, list[id].stay, near); d != "" {
			t.Errorf("%s: raw tables (-) and program (+):\n%s", id, d)
		}
	}
}

func compareSets(t *testing.T, f figures, a answers) {
	t.Helper()
	want := f.sets(t)
	if len(want) == 0 || len(a.sets) == 0 {
		t.Error("no set to compare")
	}
	for id, sets := range a.sets {
		if d := cmp.Diff(want[id], sets, near, cmpopts.EquateEmpty()); d != "" {
			t.Errorf("%s: sets: raw tables (-) and program (+):\n%s", id, d)
		}
	}
	for id, sets := range want {
		latest := a.end[id].LatestSet
		if latest == nil {
			t.Errorf("%s: no latest set", id)
			continue
		}
		if d := cmp.Diff(sets[len(sets)-1], *latest, near, cmpopts.EquateEmpty()); d != "" {
			t.Errorf("%s: the latest set: raw tables (-) and program (+):\n%s", id, d)
		}
	}
}

// unitFigures are those of all stays together.
type unitFigures struct {
	Sets, Usable, Unusable, Positive int
	PositivePer100                   float64
	Systolics, EndingIn0             int
	MeanLying, MeanStanding          float64 // systolic, mmHg
}

// mean gathers a mean.
type mean struct{ sum, n float64 }

func (m *mean) take(v float64) { m.sum, m.n = m.sum+v, m.n+1 }

// compareUnit counts over the whole unit what the program's documents say.
func compareUnit(t *testing.T, f figures, a answers) {
	t.Helper()
	var got unitFigures
	var lying, standing mean
	systolic := func(v *float64, of *mean) {
		if v != nil {
			of.take(*v)
			got.Systolics++
			if int(*v)%10 == 0 {
				got.EndingIn0++
			}
		}
	}
	for _, sets := range a.sets {
		for _, s := range sets {
			got.Sets++
			switch s.Quality {
			case "usable":
				got.Usable++
			case "unusable":
				got.Unusable++
			}
			if s.Finding == "positive" {
				got.Positive++
			}
			if s.Baseline != nil {
				systolic(s.Baseline.Systolic, &lying)
			}
			for _, u := range s.Upright {
				systolic(u.Systolic, &standing)
			}
		}
	}
	got.MeanLying, got.MeanStanding = lying.sum/lying.n, standing.sum/standing.n
	got.PositivePer100 = 100 * float64(got.Positive) / float64(got.Sets)
	count := func(what string) int { return int(f.number(t, "SELECT count(*) FROM "+what)) }
	want := unitFigures{
		Sets: count("finding"), Usable: count("finding WHERE quality = 'usable'"), Unusable: count("finding WHERE quality = 'unusable'"),
		Positive: count("finding WHERE finding = 'positive'"), PositivePer100: f.number(t, "SELECT 100.0 * avg((finding = 'positive')::int) FROM finding"),
		Systolics: count("seen WHERE systolic IS NOT NULL"), EndingIn0: count("seen WHERE systolic::numeric % 10 = 0"),
		MeanLying: f.number(t, "SELECT avg(systolic) FROM seen WHERE NOT upright"), MeanStanding: f.number(t, "SELECT avg(systolic) FROM seen WHERE upright"),
	}
	if d := cmp.Diff(want, got, near); d != "" {
		t.Errorf("the unit: raw tables (-) and program (+):\n%s", d)
	}
}

// compareWeights holds the pounds to the kilograms of the trial, which took a pound
// for 0.4536 kg and rounded to two decimals. So a change of weight by the true
// pound lies within 0.01 kg of the trial's, and 0.0005 kg for the pound.
func compareWeights(t *testing.T, f figures) {
	t.Helper()
	if n := f.number(t, "SELECT count(*) FROM weight WHERE abs(kg / 0.45359237 * 0.4536 - trial_kg) > 0.0051"); n > 0 {
		t.Errorf("%v weights in pounds are not those in kilograms", n)
	}
	if n := f.number(t, "SELECT count(*) FROM exposure WHERE abs(weight_change - trial_weight_change) > 0.0105"); n > 0 {
		t.Errorf("%v weight changes are not those of the trial's kilograms", n)
	}
}

// compareDrugs sums the drugs up: each text that names a known ingredient is known
// everywhere, each other one is named as unrecognised by every stay that has it.
func compareDrugs(t *testing.T, f figures, list map[string]patient) {
	t.Helper()
	unrecognised := map[string]bool{}
	for _, pt := range list {
		for _, text := range pt.Exposures.Unrecognised {
			unrecognised[text] = true
		}
	}
	rows, err := f.conn.Query(t.Context(), `SELECT d.words, coalesce(string_agg(DISTINCT k.ingredient, ', '), '') FROM drug d JOIN stay USING (usubjid)
		LEFT JOIN known k USING (usubjid, cmspid) WHERE d.start_at <= (SELECT as_of FROM question) GROUP BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	known := map[string]string{}
	unknown := 0
	for rows.Next() {
		var text, ingredients string
		if err := rows.Scan(&text, &ingredients); err != nil {
			t.Fatal(err)
		}
		if (ingredients == "") != unrecognised[text] {
			t.Errorf("%q: ingredients %q by the table, unrecognised by the program: %t", text, ingredients, unrecognised[text])
		}
		if ingredients == "" {
			unknown++
		} else {
			known[text] = ingredients
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	if unknown != len(unrecognised) {
		t.Errorf("%d drugs are unknown by the table, %d by the program", unknown, len(unrecognised))
	}
	var names []string
	for _, text := range slices.Sorted(maps.Keys(known)) {
		names = append(names, text+" = "+known[text])
	}
	t.Logf("%d drug texts are known (%s); %d are named as unrecognised", len(known), strings.Join(names, "; "), unknown)
}

// evenHalf is the digest of the vital signs whose totals are known: those of the
// subjects with even numbers.
const evenHalf = "d1b29f329e2bca00dfa7039f05e77d1534fa240c1da35afd8f73ba827555924c"

// evenTotals are the totals of the even half where the readings of a visit are
// kept together. A script of its own, in another language, counted all but three of
// them from the raw tables too; "stays cleared", "pulse unreliable" and "changes"
// hang on the drugs, and rest on the SQL and the program alone.
var evenTotals = map[string]int{
	"stays": 119, "stays with a positive set": 87, "stays cleared": 49,
	"sets": 1300, "positive": 243, "negative": 1056, "inconclusive": 1,
	"systolic_drop": 135, "diastolic_drop": 143, "low_standing_systolic": 10,
	"pulse_rise_30": 5, "pulse_rise_notable": 209, "supine_hypertension_30": 30,
	"sustained yes": 93, "sustained no": 93, "sustained unknown": 51,
	"lying usual": 690, "lying mild supine hypertension": 443, "lying moderate supine hypertension": 137, "lying severe supine hypertension": 30,
	"pulse blunted": 74, "pulse brisk": 43, "pulse falling": 11, "pulse unreliable": 6,
	"trend too_few": 3, "trend steady": 102, "trend worsening": 8, "trend improving": 6,
	"systolics": 3896, "systolics ending in 0": 1537, "lying systolics ending in 0": 566, "changes": 36,
}

// checkTotals holds the totals of the known half to those counted before. Where
// the sets have to be inferred, the one visit without a standing reading is none.
func checkTotals(t *testing.T, tr trial, f figures, given bool) {
	t.Helper()
	got := f.totals(t)
	t.Logf("totals: %v", got)
	if tr.digest(vitalSigns) != evenHalf {
		t.Logf("the vital signs are not those of the even half, so only the comparison speaks")
		return
	}
	want := maps.Clone(evenTotals)
	if !given {
		for _, name := range []string{"sets", "lying usual", "systolics"} {
			want[name]--
		}
		delete(want, "inconclusive")
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("totals of the even half: counted before (-) and now (+):\n%s", d)
	}
}

// totals counts the findings over all stays.
func (f figures) totals(t *testing.T) map[string]int {
	t.Helper()
	rows, err := f.conn.Query(t.Context(), script(t, "totals.sql"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	var name string
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&name, &n}, func() error { out[name] = n; return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

// summaryTable is a table of vital signs by arm, visit and time point.
func (f figures) summaryTable(t *testing.T) string {
	t.Helper()
	rows, err := f.conn.Query(t.Context(), script(t, "summary.sql"))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	table := tabwriter.NewWriter(&b, 0, 4, 2, ' ', 0)
	_, _ = fmt.Fprintln(table, "\ntest\tarm\tvisit\ttime point\tn\tmean\tSD\tmedian\tmin\tmax")
	var test, arm, visit, point string
	var n int
	var mean, sd, median, low, high float64
	_, err = pgx.ForEachRow(rows, []any{&test, &arm, &visit, &point, &n, &mean, &sd, &median, &low, &high}, func() error {
		_, err := fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%d\t%.1f\t%.2f\t%.1f\t%.1f\t%.1f\n", test, arm, visit, point, n, mean, sd, median, low, high)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := table.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}
