package hl7feed_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

const siteTable = `codes:
  - {system: WARD, code: DIZ, kind: symptom, value: dizziness, words: {Y: yes, N: no}}
  - {system: WARD, code: MIN, kind: minutes_in_position}
  - {system: WARD, code: STOP, kind: stopped_early, words: {Y: yes, N: no}}
  - {system: WARD, code: ARM, kind: restriction, reason: fistula, words: {L: left arm, R: right arm}}
  - {system: WARD, code: NOARM, kind: restriction, value: left arm, reason: fistula, words: {on: begins, off: ends}}
  - {system: WARD, code: CLR, kind: clearance, words: {Y: yes, N: no}}
  - {system: WARD, code: WHY, kind: answer, words: {D: declined, X: not possible}}
  - {system: WARD, code: ALARM, kind: precaution, value: bed alarm, words: {on: begins, off: ends}}
  - {system: WARD, code: FELL, kind: fall, words: {"0": none, "2": moderate}}
  - {system: FORM, code: F40, kind: drug, value: C03CA01}
  - {code: NBPS, kind: vital, value: 8480-6}
  - {code: SCORE, kind: ignore}
  - {system: WARD, code: POS, kind: vital, value: 8361-8, words: {U: sitting, S: standing}}
  - {system: WARD, code: BED, kind: vital, value: 8361-8, words: {BED: lying}}
`

type desk struct {
	*ingest.Loader
	db *store.Store
	t  *testing.T
}

func newDesk(t *testing.T, db *store.Store) desk {
	t.Helper()
	entries, err := codes.Read([]byte(siteTable))
	if err != nil {
		t.Fatal(err)
	}
	reader := hl7feed.Reader{Settings: hl7feed.Settings{
		StayClasses: []string{"IMP", "ACUTE", "NONAC", "OBSENC", "EMER", "SS"}, Codes: codes.New(entries),
	}}
	return desk{&ingest.Loader{
		Store: db, Readers: []feed.Reader{reader}, Clock: func() time.Time { return now }, Zone: time.UTC,
		Plausible: func(clinical.Vitals) []string { return nil },
	}, db, t}
}

func eachEngine(t *testing.T, test func(t *testing.T, d desk)) {
	t.Run("sqlite", func(t *testing.T) { test(t, newDesk(t, teststore.Empty(t))) })
	t.Run("postgres", func(t *testing.T) { test(t, newDesk(t, teststore.EmptyOnPostgres(t))) })
}

// load loads each text as a file, in the order of their names.
func (d desk) load(files ...string) string {
	d.t.Helper()
	dir := d.t.TempDir()
	for n, text := range files {
		path := filepath.Join(dir, fmt.Sprintf("m%02d-%x.hl7", n, rand.Uint32())) //nolint:gosec // only a name
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			d.t.Fatal(err)
		}
	}
	s, err := d.Load(d.t.Context(), []string{dir}, "test")
	if err != nil {
		d.t.Fatal(err)
	}
	out := fmt.Sprintf("%d rows: %d accepted %d unchanged %d superseded %d waiting %d skipped %d quarantined",
		s.Rows, s.Accepted, s.Unchanged, s.Superseded, s.Waiting, s.Skipped, s.Held)
	if s.Accepted+s.Unchanged+s.Superseded+s.Waiting+s.Skipped+s.Held != s.Rows {
		d.t.Errorf("the counts do not add up: %s", out)
	}
	for _, p := range s.Problems {
		out += "\n" + p.SourceID + ": " + p.Reason
	}
	return out
}

func expect(t *testing.T, what, want, got string) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

// chart is what is known of a stay at a moment, one line a fact.
func (d desk) chart(stay string, at time.Time) string {
	d.t.Helper()
	all, err := d.db.Versions(d.t.Context(), []string{stay})
	if err != nil {
		d.t.Fatal(err)
	}
	c := clinical.ChartAt(stay, all[stay], at)
	var out []string
	for _, r := range c.Records {
		out = append(out, line(r.Version))
	}
	return strings.Join(out, "\n")
}

func line(v clinical.Version) string {
	num := func(f *float64) string {
		if f == nil {
			return "-"
		}
		return fmt.Sprintf("%g", *f)
	}
	clock := func(t *time.Time) string {
		if t == nil {
			return "open"
		}
		return t.UTC().Format("02T15:04")
	}
	what := ""
	switch b := v.Body.(type) {
	case clinical.Stay:
		what = fmt.Sprintf("%s %s/%s %s %s from %s to %s", b.PatientID, b.Unit, b.Bed, b.Name, b.BirthDate, clock(&b.AdmittedAt), clock(b.DischargedAt))
	case clinical.Vitals:
		what = fmt.Sprintf("%s %s/%s %s %s %s %v", clock(&b.TakenAt), num(b.Systolic), num(b.Diastolic), num(b.HeartRate), b.Position, num(b.MinutesInPosition), b.Symptoms)
		if b.StoppedEarly {
			what += " stopped"
		}
	case clinical.Order:
		what = fmt.Sprintf("%s %s %s%s %s %s a day from %s to %s", b.Text, b.ATC, num(b.Dose), b.DoseUnit, b.Route, num(b.TimesPerDay), clock(&b.StartAt), clock(b.EndAt))
	case clinical.Dose:
		what = fmt.Sprintf("%s %s %s%s at %s of %s", b.Text, b.ATC, num(b.Dose), b.DoseUnit, clock(&b.GivenAt), b.OrderID)
	case clinical.Restriction:
		what = fmt.Sprintf("%s %s from %s to %s", b.Limb, b.Reason, clock(&b.StartedAt), clock(b.EndedAt))
	case clinical.Precaution:
		what = fmt.Sprintf("%s from %s to %s", b.Precaution, clock(&b.StartedAt), clock(b.EndedAt))
	case nil:
	default:
		what = fmt.Sprintf("%+v", b)
	}
	return fmt.Sprintf("%s %s %s: %s", v.Kind, v.SourceID, v.Status, what)
}

// msg is a message: its type, its control id, when it was sent, and its segments.
func msg(kind, control, sent string, segments ...string) string {
	head := fmt.Sprintf(`MSH|^~\&|HIS|H|P|H|202611%s00||%s|%s|P|2.5.1`, sent, kind, control)
	return strings.Join(append([]string{head}, segments...), "\r") + "\r"
}

func adt(event, control, sent, pv1 string, more ...string) string {
	return msg("ADT^"+event, control, sent, append([]string{
		"EVN|" + event + "|202611" + sent, "PID|1||77^^^H^MR||Doe^Jane||19410203|F", "PV1|1|" + pv1}, more...)...)
}

// pv1 from field 2 on: class, location, and the visit in field 19.
func pv(class, place string) string { return class + "|" + place + strings.Repeat("|", 16) + "V1" }

func oru(control, sent string, segments ...string) string {
	return msg("ORU^R01", control, sent, append([]string{"PID|1||77^^^H^MR", "PV1|1|I|" + strings.Repeat("|", 16) + "V1"}, segments...)...)
}

func obx(n int, code, value, unit, rest string) string {
	return fmt.Sprintf("OBX|%d|NM|%s||%s|%s|||||%s", n, code, value, unit, rest)
}

func TestAVisitIsToldByManyMessages(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		a01 := adt("A01", "1", "240800", pv("I", "4W^12^A"))
		a02 := adt("A02", "2", "241000", pv("I", "5W^3^B"))
		a08 := adt("A08", "3", "241100", pv("", ""))
		a03 := adt("A03", "4", "250900", pv("I", ""))
		a13 := adt("A13", "5", "251000", pv("I", ""))
		// The order of files is not that of events.
		got := d.load(a13, a03, a02, a01, a08)
		expect(t, "the summary", "5 rows: 1 accepted 0 unchanged 4 superseded 0 waiting 0 skipped 0 quarantined", got)
		stay := func(place, to string) string {
			return "stays V1 final: 77 " + place + " Doe, Jane 1941-02-03 from 24T08:00 to " + to
		}
		day := func(d, h int) time.Time { return time.Date(2026, 11, d, h, 30, 0, 0, time.UTC) }
		expect(t, "after the admission", stay("4W/12-A", "open"), d.chart("V1", day(24, 8)))
		expect(t, "after the transfer", stay("5W/3-B", "open"), d.chart("V1", day(24, 10)))
		expect(t, "after the discharge", stay("5W/3-B", "25T09:00"), d.chart("V1", day(25, 9)))
		expect(t, "after it was cancelled", stay("5W/3-B", "open"), d.chart("V1", day(25, 10)))
		expect(t, "loaded again", "5 rows: 0 accepted 5 unchanged 0 superseded 0 waiting 0 skipped 0 quarantined", d.load(a01, a02, a08, a03, a13))
	})
}

func TestAReadingIsOneGroupAndTime(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		group := "OBR|1||O7|VS|||20261125070000"
		first := oru("10", "250705", group,
			obx(1, "8480-6^Systolic^LN", "142", "mm[Hg]", "F"), obx(2, "8462-4^Diastolic^LN", "78", "mm[Hg]", "F"),
			obx(3, "x^x^L^8867-4^HR^LN", "70", "/min", "F"), obx(4, "8361-8^Position^LN", "40199007^Lying^SCT", "", "F"),
			obx(5, "8480-6^Systolic^LN", "14.4", "kPa", "F|||20261125070300"), obx(6, "DIZ^Dizzy^WARD", "Y", "", "F|||20261125070300"),
			obx(7, "STOP^Stopped^WARD", "Y", "", "F|||20261125070300"), obx(8, "MIN^Minutes^WARD", "3", "min", "F|||20261125070300"),
			obx(9, "SCORE^s^L", "12", "", "F"))
		expect(t, "before the stay is known",
			"2 rows: 0 accepted 0 unchanged 0 superseded 2 waiting 0 skipped 0 quarantined\n"+
				"reading O7 2026-11-25T07:00:00Z: waiting: stay V1 has not been seen yet\n"+
				"reading O7 2026-11-25T07:03:00Z: waiting: stay V1 has not been seen yet", d.load(first))
		expect(t, "the stay", "1 rows: 1 accepted 0 unchanged 0 superseded 0 waiting 0 skipped 0 quarantined", d.load(adt("A01", "1", "240800", pv("I", "4W^12^A"))))
		stay := "stays V1 final: 77 4W/12-A Doe, Jane 1941-02-03 from 24T08:00 to open\n"
		standing := "\nvitals O7/5/2026-11-25T07:03:00Z final: 25T07:03 108.008928/- -  3 [dizziness] stopped"
		expect(t, "the readings", stay+"vitals O7/1/2026-11-25T07:00:00Z final: 25T07:00 142/78 70 lying - []"+standing, d.chart("V1", now))

		// One value put right, one taken back.
		fix := oru("11", "250730", group, obx(2, "8462-4^Diastolic^LN", "87", "mm[Hg]", "C"), obx(3, "8867-4^HR^LN", "", "", "D"))
		expect(t, "a correction", "1 rows: 1 accepted 0 unchanged 0 superseded 0 waiting 0 skipped 0 quarantined", d.load(fix))
		expect(t, "put right", stay+"vitals O7/1/2026-11-25T07:00:00Z corrected: 25T07:00 142/87 - lying - []"+standing, d.chart("V1", now))
		expect(t, "as it was known before", stay+"vitals O7/1/2026-11-25T07:00:00Z final: 25T07:00 142/78 70 lying - []"+standing,
			d.chart("V1", time.Date(2026, 11, 25, 7, 10, 0, 0, time.UTC)))
	})
}

func TestWhatCannotBeUsedIsHeldWithItsReason(t *testing.T) {
	d := newDesk(t, teststore.Empty(t))
	d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
	group := "OBR|1||O7|VS|||20261125070000"
	for name, c := range map[string]struct{ message, reason string }{
		"no unit":        {oru("2", "250705", group, obx(1, "8480-6^S^LN", "142", "", "F")), "no unit"},
		"another unit":   {oru("2", "250705", group, obx(1, "8480-6^S^LN", "142", "psi", "F")), `the unit (OBX-6) is not known: "psi"`},
		"below":          {oru("2", "250705", group, obx(1, "8867-4^S^LN", "<15", "/min", "F")), `the value (OBX-5) is not one number: "<15"`},
		"two values":     {oru("2", "250705", group, obx(1, "8480-6^S^LN", "60~120", "mmHg", "F")), `the value (OBX-5) is not one number: "60~120"`},
		"a day alone":    {oru("2", "250705", group, obx(1, "8480-6^S^LN", "142", "mmHg", "F|||20261125")), "no time of day"},
		"no such status": {oru("2", "250705", group, obx(1, "8480-6^S^LN", "142", "mmHg", "Q")), `the status of the observation (OBX-11) is not known: "Q"`},
		"a word":         {oru("2", "250705", group, obx(1, "DIZ^d^WARD", "perhaps", "", "F")), `the site's table has no word for "perhaps" of the code "DIZ"`},
		"no type":        {"MSH|^~\\&|A|B|C|D|20261125070000|||9|P|2.5\r", "the message has no type (MSH-9)"},
		"no time":        {"MSH|^~\\&|A|B|C|D|||ORU^R01|9|P|2.5\r", "the message has no time (MSH-7)"},
		"cut off":        {"\x0b" + oru("2", "250705", group) + "\x0b" + adt("A01", "1", "240800", pv("I", "4W^12^A")) + "\x1c\r", "the message is cut off: the byte that ends it is missing"},
		"not UTF-8":      {oru("2", "250705", group, obx(1, "8480-6^\xe4^LN", "142", "mmHg", "F")), "the message is not UTF-8, and MSH-18 does not name 8859/1"},
		"ahead":          {oru("2", "250705", group, obx(1, "8480-6^S^LN", "142", "mmHg", "F|||20261125080000")), "taken_at 2026-11-25T08:00:00Z lies more than 5 minutes after it was recorded or read"},
	} {
		t.Run(name, func(t *testing.T) {
			d.t = t
			if got := d.load(c.message); !strings.Contains(got, "1 quarantined") || !strings.Contains(got, c.reason) {
				t.Errorf("got %s\nwant one row held: %s", got, c.reason)
			}
		})
	}
}

func TestMergesMoveWhatWasThereFromThenOn(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		merge := msg("ADT^A40", "9", "250600", "EVN|A40|20261125060000", "PID|1||99^^^H^MR", "MRG|77^^^H^MR")
		reading := msg("ORU^R01", "10", "250505", "PID|1||77^^^H^MR", "OBR|1||O7|VS|||20261125050000", obx(1, "8480-6^S^LN", "142", "mmHg", "F"))
		// The merge comes before what it concerns.
		expect(t, "the merge", "1 rows: 1 accepted 0 unchanged 0 superseded 0 waiting 0 skipped 0 quarantined", d.load(merge))
		d.load(reading)
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
		early, late := time.Date(2026, 11, 25, 5, 30, 0, 0, time.UTC), now
		facts := " 4W/12-A Doe, Jane 1941-02-03 from 24T08:00 to open\nvitals O7/1/2026-11-25T05:00:00Z final: 25T05:00 142/- -  - []"
		expect(t, "before the merge", "stays V1 final: 77"+facts, d.chart("V1", early))
		expect(t, "after the merge", "stays V1 final: 99"+facts, d.chart("V1", late))

		// A visit that turns out to be another.
		d.load(msg("ADT^A45", "12", "250700", "EVN|A45|20261125070000", "PID|1||99^^^H^MR", "MRG|||||V1", "PV1|1|I|"+strings.Repeat("|", 16)+"V2"),
			msg("ADT^A01", "11", "240900", "EVN|A01|20261124090000", "PID|1||99^^^H^MR||Doe^Jane||19410203|F", "PV1|1|I|4W^12^A"+strings.Repeat("|", 16)+"V2"))
		d.load(oru("13", "250405", "OBR|1||O8|VS|||20261125040000", obx(1, "8480-6^S^LN", "120", "mmHg", "F")))
		expect(t, "the merged visit", "stays V2 final: 99 4W/12-A Doe, Jane 1941-02-03 from 24T09:00 to open\n"+
			"vitals O7/1/2026-11-25T05:00:00Z final: 25T05:00 142/- -  - []\n"+
			"vitals O8/1/2026-11-25T04:00:00Z final: 25T04:00 120/- -  - []", d.chart("V2", late))
	})
}

func TestOrdersAndDoses(t *testing.T) {
	d := newDesk(t, teststore.Empty(t))
	d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
	order := func(control, sent, orc string, more ...string) string {
		return msg("RDE^O11", control, sent, append([]string{"PID|1||77^^^H^MR", "PV1|1|I|" + strings.Repeat("|", 16) + "V1", "ORC|" + orc}, more...)...)
	}
	d.load(order("2", "240900", "NW|R1", "TQ1|1||BID||||20261124100000", "RXE||F40^Furosemide 40 mg^FORM|40||mg", "RXR|PO"))
	d.load(order("3", "250800", "DC|R1", "TQ1|1|||||||20261125080000"))
	dose := msg("RAS^O17", "4", "241005", "PID|1||77^^^H^MR", "PV1|1|I|"+strings.Repeat("|", 16)+"V1", "ORC|RE|R1",
		"RXA|0|1|20261124100200||C03CA01^furosemide^ATC|40|mg|||||||||||||CP")
	d.load(dose)
	want := "stays V1 final: 77 4W/12-A Doe, Jane 1941-02-03 from 24T08:00 to open\n" +
		"orders R1 %s: Furosemide 40 mg C03CA01 40mg oral 2 a day from 24T10:00 to %s"
	given := "\ndoses R1/1/2026-11-24T10:02:00Z completed: furosemide C03CA01 40mg at 24T10:02 of R1"
	expect(t, "while it runs", fmt.Sprintf(want, "active", "open")+given, d.chart("V1", time.Date(2026, 11, 24, 11, 0, 0, 0, time.UTC)))
	expect(t, "after it was stopped", fmt.Sprintf(want, "stopped", "25T08:00")+given, d.chart("V1", now))
}

// A position comes by the words of the code that is charted, or by an entry of the value's own code.
func TestAPositionOfTheSite(t *testing.T) {
	for _, c := range []struct{ code, value, want, why string }{
		{"POS^^WARD", "U^Sat up^WARD", " sitting ", ""},
		{"POS^^WARD", "s", " standing ", ""},
		{"POS^^WARD", "40199007^^SCT", " lying ", ""},
		{"POS^^WARD", "X^Hung^WARD", "", `the site's table has no word for "X^Hung^WARD" of the code "POS"`},
		{"8361-8^^LN", "BED^In bed^WARD", " lying ", ""},
		{"8361-8^^LN", "U^Sat up^WARD", "142/- -  - []", ""}, // a word of another code
	} {
		d := newDesk(t, teststore.Empty(t))
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
		got := d.load(oru("10", "250705", "OBR|1||O7|VS|||20261125070000",
			obx(1, "8480-6^^LN", "142", "mm[Hg]", "F"), obx(2, c.code, c.value, "", "F")))
		chart := d.chart("V1", now)
		if !strings.Contains(got, c.why) || !strings.Contains(chart, c.want) {
			t.Errorf("%s %s: %s\n%s", c.code, c.value, got, chart)
		}
	}
}

// A change of an order that nobody knows says so: its stay is known.
func TestAChangeWaitsForItsOrder(t *testing.T) {
	d := newDesk(t, teststore.Empty(t))
	d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
	got := d.load(msg("RDE^O11", "2", "250900", "PID|1||77^^^H^MR", "PV1|1|"+pv("I", "4W^12^A"), "ORC|DC|R9"))
	if !strings.Contains(got, "1 waiting") || !strings.Contains(got, "waiting: the order that it changes, its drug or a stay") {
		t.Error(got)
	}
}

func TestWhatTheSitesTableGives(t *testing.T) {
	d := newDesk(t, teststore.Empty(t))
	d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
	one := func(control, sent string, rest ...string) string {
		return oru(control, sent, append([]string{"OBR|1||G" + control + "|X|||202611" + sent + "00"}, rest...)...)
	}
	// The end of the restriction comes before its beginning.
	d.load(one("3", "250900", obx(1, "NOARM^n^WARD", "off", "", "F")))
	d.load(one("2", "250700", obx(1, "ARM^n^WARD", "L", "", "F"), obx(2, "ALARM^n^WARD", "on", "", "F")),
		one("4", "250910", obx(1, "CLR^c^WARD", "Y", "", "F|||||12^Cole^Ann"), obx(2, "WHY^c^WARD", "D", "", "F"), "NTE|1||too tired", obx(3, "FELL^c^WARD", "2", "", "F")))
	expect(t, "the chart", strings.Join([]string{
		"stays V1 final: 77 4W/12-A Doe, Jane 1941-02-03 from 24T08:00 to open",
		"precautions G2/2/2026-11-25T07:00:00Z final: bed alarm from 25T07:00 to open",
		"falls G4/3/2026-11-25T09:10:00Z final: {FellAt:2026-11-25 09:10:00 +0000 UTC Injury:moderate Assisted:<nil>}",
		"restrictions G2/1/2026-11-25T07:00:00Z final: left arm fistula from 25T07:00 to 25T09:00",
		"clearances G4/1/2026-11-25T09:10:00Z final: {ClearedAt:2026-11-25 09:10:00 +0000 UTC By:Cole, Ann}",
		"answers G4/2/2026-11-25T09:10:00Z final: {AnsweredAt:2026-11-25 09:10:00 +0000 UTC Answer:declined Reason:too tired}",
	}, "\n"), d.chart("V1", now))
}
