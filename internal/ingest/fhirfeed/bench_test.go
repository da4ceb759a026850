package fhirfeed_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/records"
)

// nowhere is a sink that keeps nothing.
type nowhere struct{}

func (nowhere) Put(clinical.Version) error       { return nil }
func (nowhere) Part(records.Part) error          { return nil }
func (nowhere) Beside(records.Part) error        { return nil }
func (nowhere) Hold(records.Held) error          { return nil }
func (nowhere) Skip(string, clinical.Kind) error { return nil }
func (nowhere) Seen(records.SeenCode) error      { return nil }
func (nowhere) Notice(string)                    {}

// BenchmarkRead compares reading with no more than looking whether the same bytes are JSON.
func BenchmarkRead(b *testing.B) {
	w := &twin{byPlace: map[string]bool{}}
	for _, v := range demoVersions(b) {
		w.add(v)
	}
	texts := map[string][]byte{"demo": []byte(strings.Join(w.lines, "\n"))}
	files, _ := filepath.Glob(filepath.Join("..", "..", "..", "..", "shared", "data", "fhir-synthea", "*.gz"))
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			b.Fatal(err)
		}
		z, err := gzip.NewReader(f)
		if err != nil {
			b.Fatal(err)
		}
		text, err := io.ReadAll(z)
		if err != nil {
			b.Fatal(err)
		}
		texts["synthea"] = append(append(texts["synthea"], text...), '\n')
	}
	reader := fhirfeed.New(siteSettings(b))
	o := feed.Options{Zone: time.UTC, Now: now}
	for name, text := range texts {
		b.Run(name+"/read", func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				if err := reader.Read(bytes.NewReader(text), "x", o, nowhere{}); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+"/valid", func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				for d := json.NewDecoder(bytes.NewReader(text)); ; {
					var raw json.RawMessage
					if err := d.Decode(&raw); err != nil {
						break
					}
				}
			}
		})
		b.Run(name+"/valid-in-memory", func(b *testing.B) {
			b.SetBytes(int64(len(text)))
			whole := append(append([]byte("["), bytes.ReplaceAll(text, []byte("}\n{"), []byte("},\n{"))...), ']')
			for b.Loop() {
				if !json.Valid(whole) {
					b.Fatal("no JSON")
				}
			}
		})
	}
}
