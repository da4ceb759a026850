package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"strings"
	"unicode/utf8"

	"plumbline/internal/clinical"
)

// codec turns the body of one kind of fact into JSON and back.
type codec struct {
	encode func(clinical.Body) ([]byte, error)
	decode func([]byte) (clinical.Body, error)
}

// codecOf makes the codec of a body; cutTimes brings its times to their stored
// form, so that one moment has one text, whatever the zone it was written in.
func codecOf[B clinical.Body](cutTimes func(*B)) codec {
	return codec{
		encode: func(body clinical.Body) ([]byte, error) {
			b, ok := body.(B)
			if !ok {
				return nil, fmt.Errorf("the body is a %T", body)
			}
			cutTimes(&b)
			return json.Marshal(b)
		},
		decode: func(text []byte) (clinical.Body, error) {
			var b B
			err := json.Unmarshal(text, &b)
			return b, err
		},
	}
}

var codecs = map[clinical.Kind]codec{
	clinical.KindStay: codecOf(func(b *clinical.Stay) {
		cut(&b.AdmittedAt)
		cutEnd(&b.DischargedAt)
	}),
	clinical.KindVitals: codecOf(func(b *clinical.Vitals) { cut(&b.TakenAt) }),
	clinical.KindOrder: codecOf(func(b *clinical.Order) {
		cut(&b.StartAt)
		cutEnd(&b.EndAt)
	}),
	clinical.KindDose: codecOf(func(b *clinical.Dose) { cut(&b.GivenAt) }),
	clinical.KindFluid: codecOf(func(b *clinical.Fluid) {
		cut(&b.From)
		cut(&b.To)
	}),
	clinical.KindWeight:    codecOf(func(b *clinical.Weight) { cut(&b.MeasuredAt) }),
	clinical.KindLab:       codecOf(func(b *clinical.Lab) { cut(&b.TakenAt) }),
	clinical.KindCondition: codecOf(func(*clinical.Condition) {}),
	clinical.KindPrecaution: codecOf(func(b *clinical.Precaution) {
		cut(&b.StartedAt)
		cutEnd(&b.EndedAt)
	}),
	clinical.KindFall: codecOf(func(b *clinical.Fall) { cut(&b.FellAt) }),
	clinical.KindRestriction: codecOf(func(b *clinical.Restriction) {
		cut(&b.StartedAt)
		cutEnd(&b.EndedAt)
	}),
	clinical.KindClearance: codecOf(func(b *clinical.Clearance) { cut(&b.ClearedAt) }),
	clinical.KindAnswer:    codecOf(func(b *clinical.Answer) { cut(&b.AnsweredAt) }),
	clinical.KindTreatment: codecOf(func(b *clinical.Treatment) { cut(&b.GivenAt) }),
}

// versionRow is a version as it stands in fact_versions.
type versionRow struct {
	kind       string
	sourceID   string
	stayID     string
	patientID  string // of a version that names a patient alone
	recordedAt int64
	stated     bool
	status     string
	at         *int64
	body       []byte // nil for a retraction that carries nothing but its identity
	feed       string
	place      place
	hash       hash
}

// hash tells versions apart: two rows that say the same of the same fact, as
// recorded at the same moment, are one version.
type hash [16]byte

// place is where a version stood. Of two versions recorded at one moment the one
// with the larger place counts.
type place struct {
	file    string
	reading int64 // which reading of the file: the later one counts
	line    int
}

func (p place) before(q place) bool {
	if p.file != q.file {
		return p.file < q.file
	}
	if p.reading != q.reading {
		return p.reading < q.reading
	}
	return p.line < q.line
}

// rowOf brings a version to its stored form. scratch is memory to work in, and
// is returned for the next row.
func rowOf(v clinical.Version, scratch []byte) (versionRow, []byte, error) {
	r := versionRow{
		kind:       string(v.Kind),
		sourceID:   plain(v.SourceID),
		stayID:     plain(v.StayID),
		recordedAt: micros(v.RecordedAt),
		stated:     v.Stated,
		status:     plain(string(v.Status)),
		feed:       plain(v.Feed),
		place:      place{plain(v.File), v.Reading, v.Line},
	}
	if v.OfPatient() {
		r.patientID = plain(v.PatientID)
	}
	codec, known := codecs[v.Kind]
	if !known {
		return r, scratch, clinical.Errorf(clinical.Invalid, "the kind of fact %q is not known to the store", v.Kind)
	}
	if v.Kind == clinical.KindStay && r.stayID == "" {
		r.stayID = r.sourceID // a stay's identity names the stay
	}
	if v.Body != nil {
		var err error
		if r.body, err = codec.encode(v.Body); err != nil {
			return r, scratch, &clinical.Error{Code: clinical.Invalid, Err: err,
				Message: fmt.Sprintf("the %s row %s:%d cannot be stored", v.Kind, v.File, v.Line)}
		}
		r.at = optional(v.Body.OwnTime())
	}
	r.hash, scratch = r.sum(scratch)
	return r, scratch, nil
}

func (r *versionRow) sum(scratch []byte) (hash, []byte) {
	s := scratch[:0]
	for _, text := range []string{r.kind, r.sourceID, r.stayID, r.status} {
		s = binary.AppendUvarint(s, uint64(len(text)))
		s = append(s, text...)
	}
	s = binary.BigEndian.AppendUint64(s, uint64(r.recordedAt))
	s = append(s, boolByte(r.stated), boolByte(r.body != nil))
	s = append(s, r.body...)
	if r.patientID != "" { // the sum of all others is as it was before there was this
		s = append(s, 0)
		s = append(s, r.patientID...)
	}
	full := sha256.Sum256(s)
	return hash(full[:16]), s
}

func boolByte(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// bodyOf reads a stored body; an empty one is a bare retraction.
func bodyOf(kind clinical.Kind, text []byte) (clinical.Body, error) {
	if len(text) == 0 {
		return nil, nil
	}
	codec, known := codecs[kind]
	if !known {
		return nil, clinical.Errorf(clinical.Internal,
			"the database holds facts of the kind %q, which this version does not know; "+
				"use the version that wrote it", kind)
	}
	body, err := codec.decode(text)
	if err != nil {
		return nil, fmt.Errorf("reading a stored body of kind %s: %w", kind, err)
	}
	return body, nil
}

// plain makes a text one that both engines can keep: PostgreSQL takes neither
// broken UTF-8 nor a zero byte, SQLite takes both.
func plain(s string) string {
	if utf8.ValidString(s) && strings.IndexByte(s, 0) < 0 {
		return s
	}
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}
