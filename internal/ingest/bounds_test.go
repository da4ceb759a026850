package ingest

import (
	"bytes"
	"compress/gzip"
	"io"
	"runtime"
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
)

// endless is a text that goes on for a gigabyte, and counts what is read of it.
type endless struct {
	begins string
	read   int64
}

func (e *endless) Read(p []byte) (int, error) {
	if e.read >= 1<<30 {
		return 0, io.EOF
	}
	for n := range p {
		p[n] = 'x'
	}
	if e.read == 0 {
		copy(p, e.begins)
	}
	e.read += int64(len(p))
	return len(p), nil
}

// none is a sink that keeps nothing.
type none struct{ rows int }

func (*none) Seen(records.SeenCode) error        { return nil }
func (n *none) Put(clinical.Version) error       { n.rows++; return nil }
func (n *none) Beside(records.Part) error        { return nil }
func (n *none) Hold(records.Held) error          { n.rows++; return nil }
func (n *none) Skip(string, clinical.Kind) error { n.rows++; return nil }
func (n *none) Part(records.Part) error          { n.rows++; return nil }
func (n *none) Notice(string)                    {}

const largest = 1 << 20 // of a row, by the settings of these tests

var bounded = map[string]feed.Reader{
	"weights.csv": csvfeed.Reader{MaxRecord: largest},
	"f.json":      fhirfeed.New(fhirfeed.Settings{StayClasses: []string{"IMP"}, MaxResource: largest, MaxDepth: 100}),
	"f.hl7":       hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: []string{"IMP"}, MaxMessage: largest}},
}

// A line of a gigabyte is refused as soon as it is longer than the settings allow, whether it comes
// plain or unpacks from a megabyte.
func TestALineOfAGigabyteIsRefused(t *testing.T) {
	for name, begins := range map[string][]string{
		"weights.csv": {weights, weights + "\""},
		"f.json":      {`{"resourceType":"Patient","id":"`, strings.Repeat("[", 90)},
		"f.hl7":       {`MSH|^~\&|`, "\x0bMSH|^~\\&|"},
	} {
		for _, begin := range begins {
			for _, packed := range []bool{false, true} {
				source := &endless{begins: begin}
				var in io.Reader = source
				if packed {
					out, into := io.Pipe()
					go func() {
						z, _ := gzip.NewWriterLevel(into, gzip.BestSpeed)
						_, err := io.Copy(z, source)
						_ = into.CloseWithError(err)
					}()
					defer func() { _ = out.Close() }()
					in = out
				}
				text, _, err := feed.Open(in)
				if err == nil {
					err = bounded[name].Read(text, name, feed.Options{Zone: now.Location(), Now: now}, &none{})
				}
				if err == nil || source.read > 32*largest {
					t.Errorf("%s that begins with %.20q (packed %v): %v after %d bytes", name, begin, packed, err, source.read)
				}
			}
		}
	}
}

// What is read takes time in proportion to its length, by what it allocates: four times as much of what
// repeats may not take sixteen times. Shapes that tempt a reader to go over what it has read once more.
func TestNoReaderTakesQuadraticTime(t *testing.T) {
	head := "MSH|^~\\&|A|B|C|D|20261124080000+0000||ORU^R01|1|P|2.5\rPID|||P1^^^^MR\rPV1||I|" + strings.Repeat("|", 16) + "S7\r" +
		"OBR|1||o|x|||20261124080000+0000\r"
	for what, c := range map[string]struct {
		name, before, repeats, after string
		n                            int
	}{
		"rows":             {"weights.csv", weights, "a,S,no time,70,\n", "", 2000},
		"blank lines":      {"weights.csv", weights, "\n", "", 20000},
		"quotes":           {"weights.csv", weights + `a,S,"`, `""`, "\",70,\n", 40000},
		"columns":          {"weights.csv", weights + "a", ",x", "\n", 20000},
		"stray quotes":     {"weights.csv", weights, "a,\"x\"y,1,2,\n", "", 2000},
		"segments":         {"f.hl7", head, "OBX|1|NM|8480-6^^LN||120|mm[Hg]|||||F\r", "", 500},
		"lines without |":  {"f.hl7", head + "NTE|1||x\r", "goes on\r", "", 5000},
		"fields":           {"f.hl7", head + "OBX", "|1", "\r", 20000},
		"repetitions":      {"f.hl7", strings.Replace(head, "P1^^^^MR", "P1^^^^MR%s", 1), "~P2^^^^X", "", 5000},
		"escapes":          {"f.hl7", head + "OBX|1|ST|8480-6^^LN||", `\T\`, "\r", 10000},
		"groups":           {"f.hl7", head, "OBR|2||o|x|||20261124080000+0000\rOBX|1|NM|8480-6^^LN||120|mm[Hg]|||||F\r", "", 300},
		"messages":         {"f.hl7", "", strings.ReplaceAll(head, "%", "") + "\n", "", 100},
		"entries":          {"f.json", `{"resourceType":"Bundle","entry":[{}`, `,{"resource":{"resourceType":"Patient","id":"a"}}`, "]}", 500},
		"entries at first": {"f.json", `{"entry":[{}`, `,{"resource":{"resourceType":"Basic"}}`, `],"resourceType":"Bundle"}`, 500},
		"lines":            {"f.json", "", `{"resourceType":"Patient","id":"a"}` + "\n", "", 500},
		"contained": {
			"f.json", `{"resourceType":"Patient","id":"a","contained":[{}`, `,{"resourceType":"Basic"}`, "]}", 500,
		},
		"codings": {
			"f.json", `{"resourceType":"Observation","id":"a","status":"final","code":{"coding":[{}`, `,{"code":"x"}`, "]}}", 1000,
		},
	} {
		spent := func(times int) uint64 {
			text := c.before + strings.Repeat(c.repeats, c.n*times) + c.after
			if before, after, marked := strings.Cut(c.before, "%s"); marked {
				text = before + strings.Repeat(c.repeats, c.n*times) + after
			}
			var a, b runtime.MemStats
			runtime.ReadMemStats(&a)
			plain, _, err := feed.Open(bytes.NewReader([]byte(text)))
			if err == nil {
				err = bounded[c.name].Read(plain, c.name, feed.Options{Zone: now.Location(), Now: now}, &none{})
			}
			runtime.ReadMemStats(&b)
			if err != nil {
				t.Errorf("%s: %v", what, err)
			}
			return b.TotalAlloc - a.TotalAlloc
		}
		spent(1) // what is made once
		one, four := spent(1), spent(4)
		if four > 7*one+1<<20 {
			t.Errorf("%s: four times as many allocate %.1f times as much (%d and %d KB)", what, float64(four)/float64(one), one>>10, four>>10)
		}
	}
}
