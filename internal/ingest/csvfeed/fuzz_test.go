package csvfeed

import (
	"bytes"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
)

// Whatever the bytes, each row has one end, and one that is held says the same when it is read again.
func FuzzRead(f *testing.F) {
	for n := range clinical.Kinds {
		f.Add(uint8(n), []byte("source_id,stay_id,taken_at,systolic\nv1,S1,2026-11-25T07:00:00Z,120\n"))
	}
	f.Add(uint8(0), []byte("\xef\xbb\xbfstay_id,patient_id,unit,admitted_at\r\nS1,P1,4W,2026-11-24T08:00:00Z\r\n"))
	f.Add(uint8(1), []byte("source_id,stay_id\n\"a\nb\",\"x\"\"\",c\n\"open"))
	f.Add(uint8(2), []byte("source_id,recorded_at,status\na,,entered-in-error\n"))
	f.Fuzz(func(t *testing.T, kind uint8, text []byte) {
		k := &kept{}
		for _, growing := range []bool{false, true} {
			o := options()
			o.Growing = growing
			plain, _, err := feed.Open(bytes.NewReader(text))
			if err != nil {
				return
			}
			k = &kept{}
			of := clinical.Kinds[int(kind)%len(clinical.Kinds)]
			if err := (Reader{MaxRecord: 4096}).readKind(plain, of, string(of)+".csv", o, k); err != nil {
				continue
			}
			for _, v := range k.put {
				if v.SourceID == "" || v.Kind != of || v.Line < 2 {
					t.Fatalf("a row without name or place: %+v", v)
				}
			}
			for _, h := range k.held {
				again := &kept{}
				if h.Reason == "" || h.Line < 2 {
					t.Fatalf("held without reason or place: %+v", h)
				}
				if err := (Reader{}).Again(h, o, again); err != nil || len(again.held) != 1 || len(again.put) != 0 {
					t.Fatalf("held for %q, and read again: %v, %+v", h.Reason, err, again)
				}
			}
		}
	})
}
