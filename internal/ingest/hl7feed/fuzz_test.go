package hl7feed_test

import (
	"bytes"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
)

// counted counts the ends of rows, and composes what it was given.
type counted struct {
	parts []records.Part
	rows  int
	held  []records.Held
}

func (c *counted) Put(clinical.Version) error       { c.rows++; return nil }
func (c *counted) Seen(records.SeenCode) error      { return nil }
func (c *counted) Beside(records.Part) error        { return nil }
func (c *counted) Hold(h records.Held) error        { c.rows++; c.held = append(c.held, h); return nil }
func (c *counted) Skip(string, clinical.Kind) error { c.rows++; return nil }
func (c *counted) Part(p records.Part) error        { c.rows++; c.parts = append(c.parts, p); return nil }
func (c *counted) Notice(string)                    {}
func (c *counted) look(topic string) (out []records.Part, _ error) {
	for _, p := range c.parts {
		for _, t := range p.Topics {
			if t.Name == topic {
				out = append(out, p)
			}
		}
	}
	return out, nil
}

// Whatever the bytes, each message ends somewhere, what is held can be read again and is
// held for the same reason, and what is composed can be stored.
func FuzzRead(f *testing.F) {
	f.Add([]byte(adt("A01", "1", "240800", pv("I", "4W^12^A"))))
	f.Add([]byte("\x0b" + oru("2", "250705", "OBR|1||O7", obx(1, "8480-6^S^LN", "142", "mmHg", "F|||20261125070000")) + "\x1c\r"))
	f.Add([]byte(msg("ADT^A40", "9", "250600", "EVN|A40|20261125060000", "PID|1||99^^^H^MR", "MRG|77^^^H^MR")))
	f.Add([]byte(msg("RDE^O11", "2", "240900", "PID|1||77^^^H^MR", "ORC|NW|R1", "TQ1|1||BID||||20261124100000", "RXE||C03CA01^F^ATC|40||mg")))
	f.Add([]byte("\x0b" + oru("2", "250705", "OBR|1||O7", obx(1, "8480-6^S^LN", "142", "mmHg", "F|||20261125070000"))))
	for _, c := range splitCases {
		f.Add([]byte(oru("2", "250705", c.segments...)))
	}
	f.Add([]byte("FHS|^~\\&\rMSH|^~\\&|A|B|C|D|20261125070000+0110||ORU^R01|9|P|2.5||||||8859/1\rOBX|1|NM|\\X41\\||\xe4\r"))
	entries, err := codes.Read([]byte(siteTable))
	if err != nil {
		f.Fatal(err)
	}
	r := hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: []string{"IMP", "EMER"}, Codes: codes.New(entries)}}
	o := feed.Options{Zone: now.Location(), Now: now}
	f.Fuzz(func(t *testing.T, text []byte) {
		c := &counted{}
		if err := r.Read(bytes.NewReader(text), "f.hl7", o, c); err != nil {
			return
		}
		if c.rows == 0 {
			t.Fatal("a readable file without a row")
		}
		for _, h := range c.held {
			again := &counted{}
			if err := r.Again(h, o, again); err != nil || len(again.held) != 1 || again.held[0].Reason != h.Reason {
				t.Fatalf("held for %q, then %+v %v", h.Reason, again.held, err)
			}
		}
		for _, p := range c.parts {
			for _, topic := range p.Topics {
				if _, err := r.Compose(topic.Name, c.look, o); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
