package codes_test

import (
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
)

const site = `
codes:
  - {system: "urn:oid:1.2.3", code: BA, kind: precaution, value: Bed Alarm}
  - {code: BA, kind: ignore}
  - {system: LOCAL, code: HR1, kind: vital, value: 8867-4}
  - {system: LOCAL, code: K, kind: lab, value: 2823-3}
  - {system: LOCAL, code: "0012", kind: drug, value: c03ca01}
  - {system: LOCAL, code: ARM, kind: restriction, value: left arm, reason: fistula, words: {"1": begins, "0": ends}}
  - code: CLR
    kind: clearance
    words:
      Y: "yes"
      "Not yet": "no"
`

func TestATableIsReadAndFound(t *testing.T) {
	entries, err := codes.Read([]byte(site))
	if err != nil {
		t.Fatal(err)
	}
	table := codes.New(entries)
	if table.Len() != 7 {
		t.Errorf("%d entries", table.Len())
	}
	if e, ok := table.Find("urn:oid:1.2.3", "BA"); !ok || e.Kind != codes.Precaution || e.Value != "bed alarm" {
		t.Errorf("by its system: %+v", e)
	}
	if e, ok := table.Find("http://elsewhere", "BA"); !ok || e.Kind != codes.Ignore {
		t.Errorf("by any system: %+v", e)
	}
	if e, ok := table.Find("local", "0012"); !ok || e.Value != "C03CA01" {
		t.Errorf("a drug: %+v", e)
	}
	if _, ok := table.Find("http://elsewhere", "HR1"); ok {
		t.Error("a code of another system is taken for ours")
	}
	clear, _ := table.Find("", "CLR")
	for text, want := range map[string]string{"Y": "yes", "y": "yes", "not yet": "no", "maybe": ""} {
		if got, ok := clear.Meaning("", text); got != want || ok != (want != "") {
			t.Errorf("%s means %q, %v", text, got, ok)
		}
	}
	var none *codes.Table
	if _, ok := none.Find("", "CLR"); ok || none.Len() != 0 {
		t.Error("no table knows a code")
	}
}

// What is mapped in the program is given before what stands in the file.
func TestTheEarlierListCounts(t *testing.T) {
	table := codes.New([]codes.Entry{{System: "L", Code: "A", Kind: codes.Ignore}}, []codes.Entry{{System: "l", Code: "A", Kind: codes.Fall}})
	if e, _ := table.Find("L", "A"); e.Kind != codes.Ignore {
		t.Errorf("%+v", e)
	}
}

func TestPositionsOfTheSite(t *testing.T) {
	entries, err := codes.Read([]byte("codes:\n  - {system: LN, code: 8361-8, kind: vital, value: 8361-8, words: {SIT: Sitting}}\n" +
		"  - {system: W, code: UP, kind: vital, value: 8361-8}\n  - {system: W, code: X, kind: ignore}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if p, ok := entries[0].Position("W", "sit"); !ok || p != clinical.Sitting {
		t.Errorf("%q, %v", p, ok)
	}
	table := codes.New(entries)
	for code, want := range map[string]bool{"SIT": true, "UP": false, "X": true, "8361-8": false} {
		if got := table.TellsPosition("W", code, ""); got != want {
			t.Errorf("the position %s is told: %v", code, got)
		}
	}
}

func TestWhatIsWrongIsNamedWithItsLine(t *testing.T) {
	for text, want := range map[string]string{
		"code: []":    `line 1: the key "code" is not known`,
		"codes: A":    "line 1: codes is a list",
		"codes:\n- A": "line 2: an entry of codes is a list of keys",
		"codes:\n- {code: A, kind: ignore, extra: 1}":                            `line 2: the key "extra" is not known`,
		"codes:\n- kind: ignore":                                                 "line 2: an entry needs a code",
		"codes:\n- code: A\n  kind: pulse":                                       "line 3: kind is none of ignore, drug,",
		"codes:\n- code: A\n  kind: precaution\n  value: pillow":                 "line 4: value is none of assisted rising,",
		"codes:\n- code: A\n  kind: precaution":                                  "line 2: a precaution needs a value",
		"codes:\n- code: A\n  kind: vital\n  value: 718-7":                       "line 4: value of a vital is no LOINC code",
		"codes:\n- code: A\n  kind: lab\n  value: potassium":                     "line 4: value of a lab is no LOINC code",
		"codes:\n- code: A\n  kind: drug\n  value: water":                        "line 4: value of a drug is no ATC code",
		"codes:\n- code: A\n  kind: clearance\n  value: x":                       "line 4: the kind clearance has no value",
		"codes:\n- code: A\n  kind: fall\n  reason: injury":                      "line 4: only a restriction has a reason",
		"codes:\n- code: A\n  kind: restriction\n  value: arm":                   "line 4: value is none of left arm",
		"codes:\n- code: A\n  kind: restriction\n  value: left arm\n  reason: x": "line 5: reason is none of fistula",
		"codes:\n- code: A\n  kind: answer\n  words: {N: never}":                 `line 4: the word "never" for "N"`,
		"codes:\n- code: A\n  kind: vital\n  value: 8361-8\n  words: {S: yes}":   `line 5: the word "yes" for "S" is none of lying, sitting, standing`,
		"codes:\n- {code: A, kind: ignore}\n- {code: A, kind: fall}":             `line 3: the code "A" of this system stands in line 2`,
		"codes:\n- code: A\n  code: B\n  kind: ignore":                           `line 3: the key "code" stands twice`,
		"codes: [": "is no YAML",
	} {
		_, err := codes.Read([]byte(text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	if entries, err := codes.Read(nil); err != nil || len(entries) != 0 {
		t.Errorf("an empty file: %v %v", entries, err)
	}
}
