package hl7feed_test

import (
	"math/rand/v2"
	"strings"
	"testing"

	"plumbline/internal/testdb/teststore"
)

// value is an OBX of one group and time; sub is OBX-4.
func value(n, code, sub, is string) string {
	unit := "mm[Hg]"
	if strings.HasPrefix(code, "8361") {
		is, unit = is+"^x^SCT", ""
	}
	if strings.HasPrefix(code, "8867") || strings.HasPrefix(code, "MDC") {
		unit = "/min"
	}
	return strings.Join([]string{"OBX", n, "NM", code + "^x^LN", sub, is, unit, "", "", "", "", "F"}, "|")
}

func corrected(obx string) string { return strings.TrimSuffix(obx, "F") + "C" }

const (
	sysLying, diaLying       = "8461-6", "8455-8"
	sysStanding, diaStanding = "8460-8", "8454-1"
	lying, standing          = "40199007", "10904000"
	atSeven                  = "OBR|1||O7|VS|||20261125070000"
)

var splitCases = map[string]struct {
	segments []string
	want     []string // readings of the chart
	reason   string   // for which it is held
}{
	"by the codes": {[]string{atSeven, value("1", sysLying, "", "142"), value("2", diaLying, "", "78"), value("3", sysStanding, "", "108"), value("4", diaStanding, "", "66")},
		[]string{"O7/1/ 142/78 - lying", "O7/3/ 108/66 - standing"}, ""},
	"by OBX-4": {[]string{atSeven, value("1", "8480-6", "1", "142"), value("2", "8361-8", "1", lying), value("3", "8480-6", "2", "108"), value("4", "8361-8", "2", standing), value("5", "8867-4", "2", "90")},
		[]string{"O7/1/ 142/- - lying", "O7/3/ 108/- 90 standing"}, ""},
	"by OBR": {[]string{atSeven, value("1", "8480-6", "", "142"), value("2", "8361-8", "", lying), atSeven, value("3", "8480-6", "", "108"), value("4", "8361-8", "", standing)},
		[]string{"O7/1/ 142/- - lying", "O7/3/ 108/- - standing"}, ""},
	"one value each": {[]string{atSeven, value("1", sysLying, "", "142"), value("2", diaStanding, "", "66")},
		[]string{"O7/1/ 142/- - lying", "O7/2/ -/66 - standing"}, ""},
	"a pulse of neither": {[]string{atSeven, value("1", sysLying, "", "142"), value("2", sysStanding, "", "108"), value("3", "8867-4", "", "70")},
		[]string{"O7/1/ 142/- - lying", "O7/2/ 108/- - standing", "O7/3/ -/- 70 "}, ""},
	"said twice alike": {[]string{atSeven, value("1", "8480-6", "", "142"), value("2", "8480-6", "", "142"), value("3", "8462-4", "", "78")},
		[]string{"O7/1/ 142/78 - "}, ""},
	"two kinds of pulse": {[]string{atSeven, value("1", "8480-6", "", "142"), value("2", "MDC_PULS_RATE_NON_INV", "", "70"), value("3", "MDC_ECG_HEART_RATE", "", "72")},
		[]string{"O7/1/ 142/- 72 "}, ""},
	"code and 8361-8 agree": {[]string{atSeven, value("1", sysLying, "", "142"), value("2", "8361-8", "", lying), value("3", "8867-4", "", "70")},
		[]string{"O7/1/ 142/- 70 lying"}, ""},
	"two values of one code": {[]string{atSeven, value("1", "8480-6", "", "142"), value("2", "8480-6", "", "150")},
		nil, "contradictory: 8480-6 has two values at one time"},
	"two positions, nobody's": {[]string{atSeven, value("1", "8480-6", "", "142"), value("2", "8361-8", "", lying), value("3", "8361-8", "", standing)},
		nil, "contradictory: the positions lying and standing at one time (8361-8)"},
	"code against 8361-8": {[]string{atSeven, value("1", sysLying, "", "142"), value("2", "8361-8", "", standing)},
		nil, "contradictory: lying by the code of a value, standing by 8361-8"},
	"two corrections of one code": {[]string{atSeven, corrected(value("1", "8480-6", "", "142")), corrected(value("2", "8480-6", "", "150"))},
		nil, "contradictory: 8480-6 has two values at one time"},
	"one number twice": {[]string{atSeven, value("1", "8480-6", "", "142"), value("2", "8361-8", "", lying), atSeven, value("1", "8480-6", "", "108"), value("2", "8361-8", "", standing)},
		nil, "contradictory: two values of one number (OBR-3), time and OBX-1 (1)"},
}

func TestReadingsOfSeveralPositionsAreToldApart(t *testing.T) {
	for name, c := range splitCases {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t, teststore.Empty(t))
			d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")))
			got := d.load(oru("2", "250705", c.segments...))
			if c.reason != "" != strings.Contains(got, " 1 quarantined") || !strings.Contains(got, c.reason) {
				t.Errorf("loaded: %s, want it held: %q", got, c.reason)
			}
			if readings := d.readings(); strings.Join(readings, "\n") != strings.Join(c.want, "\n") {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(readings, "\n"), strings.Join(c.want, "\n"))
			}
		})
	}
}

// readings are those of the chart: source (without its time), figures, position.
func (d desk) readings() (out []string) {
	for _, l := range strings.Split(d.chart("V1", now), "\n") {
		if f := strings.SplitN(l, " ", 4); f[0] == "vitals" && !strings.HasSuffix(l, ": ") {
			source := f[1][:strings.LastIndex(f[1], "/")+1]
			_, what, _ := strings.Cut(f[3], " ")
			out = append(out, source+" "+strings.TrimSuffix(what, " - []"))
		}
	}
	return out
}

// A correction of one position leaves the other, also where it does not name the position again; one that
// charts a value in the other position takes back the reading that has none left. The order in which the
// messages come does not matter.
func TestTheReadingsOfAGroupAreCorrectedApart(t *testing.T) {
	messages := []string{
		adt("A01", "1", "240800", pv("I", "4W^12^A")),
		oru("2", "250705", atSeven, value("1", "8480-6", "1", "142"), value("2", "8361-8", "1", lying), value("3", "8480-6", "2", "108"), value("4", "8361-8", "2", standing)),
		oru("3", "250710", atSeven, corrected(value("3", "8480-6", "2", "109"))),
		oru("4", "250715", atSeven, strings.TrimSuffix(value("1", "8480-6", "1", ""), "F")+"D", corrected(value("3", sysLying, "", "110"))),
	}
	want := []string{"O7/1/ 142/- - lying\nO7/3/ 108/- - standing", "O7/1/ 142/- - lying\nO7/3/ 109/- - standing", "O7/1/ 110/- - lying"}
	d := newDesk(t, teststore.Empty(t))
	d.load(messages[0])
	for n, m := range messages[1:] {
		d.load(m)
		if got := strings.Join(d.readings(), "\n"); got != want[n] {
			t.Errorf("after message %d:\n%s\nwant\n%s", n+2, got, want[n])
		}
	}
	chart := d.chart("V1", now)
	for range 4 {
		other := newDesk(t, teststore.Empty(t))
		for _, n := range rand.Perm(len(messages)) { //nolint:gosec // only an order
			other.load(messages[n])
		}
		expect(t, "in another order", chart, other.chart("V1", now))
	}
}
