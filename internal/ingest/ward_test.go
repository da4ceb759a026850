package ingest

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// ward reads a small invented format, so that the seam is tried with more than CSV: a
// first line #ward, then a line for each thing, of several kinds.
//
//	S|stay|patient|unit|admitted      a stay
//	B|id|stay|time|systolic|position  a reading; the position is a word of the site
//	W|id|stay|time|kg                 a weight, likewise; @patient for a stay that is not known
//	N|...                             a note, of no use here
type ward struct {
	positions map[string]clinical.Position // the site's table
}

const wardFeed = "ward"

func (ward) Feed() string { return wardFeed }

func (ward) Sniff(_ string, head []byte) bool { return strings.HasPrefix(string(head), "#ward\n") }

func (w ward) Read(r io.Reader, name string, o feed.Options, sink feed.Sink) error {
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		h := records.Held{Feed: wardFeed, File: name, Line: n, Original: []byte(lines.Text())}
		switch {
		case n == 1 || len(h.Original) == 0:
		case lines.Text() == "broken":
			return fmt.Errorf("breaks off in line %d", n)
		default:
			if err := w.Again(h, o, sink); err != nil {
				return err
			}
		}
	}
	return lines.Err()
}

func (w ward) Again(h records.Held, o feed.Options, sink feed.Sink) error {
	f := strings.Split(string(h.Original), "|")
	if f[0] == "N" {
		return sink.Skip(wardFeed, "")
	}
	v, err := w.fact(f, o)
	if err != nil {
		h.Kind, h.SourceID, h.Reason = v.Kind, v.SourceID, err.Error()
		return sink.Hold(h)
	}
	v.Status, v.Feed, v.File, v.Line = clinical.Final, wardFeed, h.File, h.Line
	return sink.Put(v)
}

func (ward) Key(h records.Held) string { return strings.ToUpper(string(h.Original)) }

var errWard = errors.New("has too few fields")

func (w ward) fact(f []string, o feed.Options) (v clinical.Version, err error) {
	if len(f) < 5 {
		return v, errWard
	}
	v.SourceID, v.StayID = f[1], f[2]
	if patient, ok := strings.CutPrefix(f[2], "@"); ok {
		v.StayID, v.PatientID = "", patient
	}
	var known bool
	if v.RecordedAt, known = feed.ParseTime(f[len(f)-1], o.Zone); f[0] != "S" {
		v.RecordedAt, known = feed.ParseTime(f[3], o.Zone)
	}
	if !known {
		return v, errors.New("no time")
	}
	switch f[0] {
	case "S":
		v.Kind, v.StayID = clinical.KindStay, f[1]
		v.Body = clinical.Stay{PatientID: f[2], Unit: f[3], AdmittedAt: v.RecordedAt}
	case "B":
		v.Kind = clinical.KindVitals
		return w.reading(v, f)
	case "W":
		v.Kind = clinical.KindWeight
		kg, err := strconv.ParseFloat(f[4], 64)
		v.Body = clinical.Weight{MeasuredAt: v.RecordedAt, KG: kg}
		return v, err
	default:
		return v, errors.New("nothing begins so")
	}
	return v, nil
}

func (w ward) reading(v clinical.Version, f []string) (clinical.Version, error) {
	if len(f) < 6 {
		return v, errWard
	}
	systolic, err := strconv.ParseFloat(f[4], 64)
	if err != nil {
		return v, errors.New("no number")
	}
	position, known := w.positions[f[5]]
	if !known {
		return v, errors.New("the site's table has no position " + f[5])
	}
	v.Body = clinical.Vitals{TakenAt: v.RecordedAt, Systolic: &systolic, Position: position}
	return v, nil
}

func wardTime(h float64) string {
	return now.Add(-24 * time.Hour).Add(time.Duration(h * float64(time.Hour))).Format(time.RFC3339)
}
