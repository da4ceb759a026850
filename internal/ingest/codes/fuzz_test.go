package codes

import "testing"

// Whatever the bytes, a table is read or its faults are named; what was read is found again.
func FuzzRead(f *testing.F) {
	f.Add([]byte("codes:\n  - {system: \"urn:site\", code: BED-ALARM, kind: precaution, value: bed alarm}\n"))
	f.Add([]byte("codes:\n  - {code: FELL, kind: fall, words: {none: none, mild: minor}}\n  - {code: \"4711\", kind: drug, value: C03CA01}\n"))
	f.Add([]byte("codes:\n  - {code: POS, kind: vital, value: 8361-8, words: {U: Sitting, S: yes}}\n"))
	f.Add([]byte("codes: &a [*a]\n"))
	f.Add([]byte("a: &a [x,x]\nb: &b [*a,*a]\nc: &c [*b,*b]\ncodes: *c\n"))
	f.Add([]byte("codes: {}\n---\n- x"))
	f.Fuzz(func(t *testing.T, data []byte) {
		entries, err := Read(data)
		if err != nil {
			return
		}
		table := New(entries)
		for _, e := range entries {
			if _, known := table.Find(e.System, e.Code); !known {
				t.Fatalf("%+v is not found again", e)
			}
		}
	})
}
