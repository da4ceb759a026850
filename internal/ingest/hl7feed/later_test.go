package hl7feed_test

import (
	"strings"
	"testing"
	"time"
)

// A13 takes the discharge back, also where PV1-45 still bears its time.
func TestACancelledDischargeWithItsOldTime(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		out := pv("I", "4W^12^A") + strings.Repeat("|", 26) + "20261125090000"
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A"))+"\r", adt("A03", "2", "250900", out)+"\r", adt("A13", "3", "251000", out)+"\r")
		for hour, want := range map[int]string{9: "to 25T09:00", 11: "to open"} {
			if got := d.chart("V1", time.Date(2026, 11, 25, hour, 30, 0, 0, time.UTC)); !strings.Contains(got, want) {
				t.Errorf("at %d:30: %s, want %s", hour, got, want)
			}
		}
	})
}

// local is a message with one value by a code of the site's own.
func local(control, sent, code, value, status string) string {
	return oru(control, sent, "OBR|1||O9|X|||20261125070000", "OBX|1|ST|"+code+"^^WARD||"+value+"||||||"+status) + "\r"
}

// A clearance whose later version is something else, or cannot be used, clears nobody any more (mapping,
// FHIR 11, and the same by HL7 v2: facts that both carry give the same answer).
func TestALaterVersionEndsAClearance(t *testing.T) {
	for name, c := range map[string]struct{ later, why, want string }{
		"a word that nothing tells": {local("3", "250800", "CLR", "Q", "C"), "a clearance that it corrects counts no more", ""},
		"another kind of fact":      {local("3", "250800", "WHY", "D", "C"), "", "answers O9/1/2026-11-25T07:00:00Z corrected"},
		"no":                        {local("3", "250800", "CLR", "N", "C"), "", ""},
		"yes again":                 {local("3", "250800", "CLR", "Y", "C"), "", "clearances O9/1/2026-11-25T07:00:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			eachEngine(t, func(t *testing.T, d desk) {
				d.load(adt("A01", "1", "240800", pv("I", "4W^12^A"))+"\r", local("2", "250730", "CLR", "Y", "F"))
				if got := d.load(c.later); !strings.Contains(got, c.why) {
					t.Errorf("it is said: %s", got)
				}
				got := d.chart("V1", now)
				if !strings.Contains(got, c.want) || strings.Contains(got, "clearances") != strings.Contains(c.want, "clearances") {
					t.Errorf("the chart says %s, want %q", got, c.want)
				}
				if got := d.chart("V1", time.Date(2026, 11, 25, 7, 45, 0, 0, time.UTC)); !strings.Contains(got, "clearances") {
					t.Errorf("before it came: %s", got)
				}
			})
		})
	}
}

// Of several values where one is asked for, none is picked; of two doses of one number, RXA-2 and time the
// second is named.
func TestWhatIsSaidTwiceIsNotPicked(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")) + "\r")
		for _, c := range [][2]string{{"CLR", "Y~N"}, {"WHY", "D~X"}, {"FELL", "0~2"}, {"ARM", "L~R"}} {
			if got := d.load(local("2", "250730", c[0], c[1], "F")); !strings.Contains(got, "several values (OBX-5) where one is asked for") {
				t.Errorf("%v: %s", c, got)
			}
		}
		dose := "RXA|0|1|20261125070000||%s^^ATC|5|mg"
		furosemide, lisinopril := strings.Replace(dose, "%s", "C03CA01^Furosemide", 1), strings.Replace(dose, "%s", "C09AA03^Lisinopril", 1)
		got := d.load(msg("RAS^O17", "3", "250730", "PID|1||77^^^H^MR", "PV1|1|"+pv("I", "4W"), "ORC|RE", furosemide, "ORC|RE", lisinopril, "ORC|RE", furosemide))
		if !strings.Contains(got, "another fact of this message has its number and time") || !strings.HasPrefix(got, "3 rows: 1 accepted") {
			t.Errorf("doses: %s", got)
		}
	})
}

// How often a day: all repeats together (TQ1-3 may repeat, and TQ1 too), or not known.
func TestHowOftenADay(t *testing.T) {
	for _, c := range [][2]string{
		{"TQ1|1||QAM~QPM||||20261125080000", "2 a day"},
		{"TQ1|1||QAM||||20261125080000\rTQ1|2||QPM||||20261125080000", "2 a day"},
		{"TQ1|1||BID||||20261125080000|20261127080000\rTQ1|2||QD||||20261127080000", "- a day"},
		{"TQ1|1||QAM~WHENEVER||||20261125080000", "- a day"},
		{"TQ1|1||BID~PRN||||20261125080000", "- a day"},
		{"TQ1|1||BID||||20261125080000||PRN", "2 a day"},
		{"TQ1|1||Q6H||||20261125080000", "4 a day"},
	} {
		t.Run(c[0], func(t *testing.T) {
			eachEngine(t, func(t *testing.T, d desk) {
				d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")) + "\r")
				d.load(msg("RDE^O11", "2", "250730", "PID|1||77^^^H^MR", "PV1|1|"+pv("I", "4W"), "ORC|NW|O1",
					"RXE||C03CA01^Furosemide^WC|40||mg", c[0]))
				if got := d.chart("V1", now); !strings.Contains(got, c[1]) || !strings.Contains(got, "C03CA01 40mg") {
					t.Errorf("%s, want %s", got, c[1])
				}
			})
		})
	}
}

// Only 8859/1 is 8859/1; a unit may be named by ISO/IEEE 11073.
func TestEncodingsAndUnitsByTheirNames(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		for name, held := range map[string]bool{"8859/1": false, "8859/15": true, "8859/1~UNICODE UTF-8": false, "": true} {
			text := adt("A01", "1", "240800", pv("I", "4W^12^A"))
			text = strings.Replace(text, "|P|2.5.1\r", "|P|2.5.1||||||"+name+"\r", 1)
			got := d.load(strings.Replace(text, "Doe", "M\xfcller"+name, 1) + "\r")
			if strings.Contains(got, "1 quarantined") != held {
				t.Errorf("%s: %s", name, got)
			}
		}
		for unit, want := range map[string]string{"MDC_DIM_KILO_G": "70}", "263875^MDC_DIM_KILO_G^MDC": "70}", "MDC_DIM_X_G": "0.07}"} {
			d.load(oru("7"+unit, "250705", "OBR|1||W"+unit[len(unit)-5:]+"|VS|||20261125070000", obx(1, "29463-7^W^LN", "70", unit, "F")) + "\r")
			if got := d.chart("V1", now); !strings.Contains(got, want) {
				t.Errorf("%s: %s", unit, got)
			}
		}
	})
}
