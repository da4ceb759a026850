package fhirfeed

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/internal/clinical"
)

// sheet is what one Observation says, apart by the position of the codes that say it. A panel
// that was taken in two positions is a reading of each.
type sheet struct {
	said   clinical.Position // of the whole: by its own code, the extension or 8361-8
	by     map[clinical.Position]*part
	absent map[clinical.Position]map[clinical.Measure]string // why there is no value, as an answer
}

func newSheet() *sheet {
	return &sheet{by: map[clinical.Position]*part{}, absent: map[clinical.Position]map[clinical.Measure]string{}}
}

// at is what is said by codes of a position.
func (s *sheet) at(p clinical.Position) *part {
	if s.by[p] == nil {
		s.by[p], s.absent[p] = &part{Position: p}, map[clinical.Measure]string{}
	}
	return s.by[p]
}

// say takes up a position that is said of the whole.
func (s *sheet) say(p clinical.Position) error {
	if p != "" && s.said != "" && p != s.said {
		return positionsDisagree(s.said, p)
	}
	if p != "" {
		s.said = p
	}
	return nil
}

func positionsDisagree(a, b clinical.Position) error {
	return fmt.Errorf("contradictory: its position is given as %s and as %s", a, b)
}

// positionsApart are the positions of codes in the order of their readings; what names none comes last.
var positionsApart = []clinical.Position{clinical.Lying, clinical.Sitting, clinical.Standing, clinical.NoPosition}

// noPosition stands in the identity of a reading for the position that it has not.
const noPosition = "no position"

// readings are those of the sheet, at least one. What is said without a position belongs to the only
// position there is; where there are more, or where it has another value of its own, it is a reading
// without one.
func (s *sheet) readings() (out []part, err error) {
	only := s.said
	for _, p := range positionsApart {
		switch {
		case p == "" || s.by[p] == nil:
		case s.said != "" && p != s.said:
			return nil, positionsDisagree(s.said, p)
		case only == "":
			only = p
		case only != p:
			return s.apart(), nil
		}
	}
	if only != "" {
		if err := s.move(only); err != nil && s.said != "" {
			return nil, err
		}
	}
	return s.apart(), nil
}

// apart are the readings of the positions in which something was measured, or answered.
func (s *sheet) apart() (out []part) {
	var empty *part
	for _, p := range positionsApart {
		one := s.by[p]
		if one == nil {
			continue
		}
		one.Absent = absence(s.absent[p][clinical.MeasureSystolic], s.absent[p][clinical.MeasureDiastolic])
		if one.valued() || one.Absent != "" {
			out = append(out, *one)
		} else if empty == nil {
			empty = one
		}
	}
	if len(out) == 0 && empty == nil {
		empty = &part{}
	}
	if len(out) == 0 {
		out = []part{*empty}
	}
	return out
}

// move gives what is said without a position to the reading of one. The error names a value that
// they contradict each other in; nothing is moved then.
func (s *sheet) move(to clinical.Position) error {
	from, into := s.at(""), s.at(to)
	for _, v := range []struct {
		measure clinical.Measure
		a, b    *float64
	}{
		{clinical.MeasureSystolic, into.Systolic, from.Systolic},
		{clinical.MeasureDiastolic, into.Diastolic, from.Diastolic},
		{clinical.MeasurePulse, into.Pulse, from.Pulse},
	} {
		if err := agree("the "+string(v.measure), v.a, v.b); err != nil {
			return err
		}
	}
	for measure, word := range s.absent[""] {
		if s.absent[to][measure] == "" {
			s.absent[to][measure] = word
		}
	}
	fillIn(&into.Systolic, from.Systolic)
	fillIn(&into.Diastolic, from.Diastolic)
	fillIn(&into.Pulse, from.Pulse)
	into.KPa = into.KPa || from.KPa
	into.Minutes, into.Symptoms, into.Stopped = from.Minutes, from.Symptoms, from.Stopped
	delete(s.by, "")
	return nil
}

// agree names two values of one measurement that are not the same.
func agree(what string, a, b *float64) error {
	if a == nil || b == nil || *a == *b {
		return nil
	}
	return fmt.Errorf("contradictory: %s is given as %v and as %v", what, *a, *b)
}

// readings are what a version of a part says, one of each position. The first bears the identity
// of the resource.
func (v partVersion) readings() []partVersion {
	out := []partVersion{v}
	out[0].More = nil
	for _, more := range v.More {
		one := v
		one.part = more
		one.Rank, one.Status, one.Stated, one.Visit, one.Patient = v.Rank, v.Status, v.Stated, v.Visit, v.Patient
		one.Taken, one.Limb, one.Note = v.Taken, v.Limb, v.Note
		one.position = string(more.Position)
		if more.Position == "" {
			one.position = noPosition
		}
		out = append(out, one)
	}
	return out
}

// source is the identity of the reading that begins with this part.
func (v partVersion) source() string {
	if v.position == "" {
		return v.ID
	}
	return v.ID + "/" + v.position
}

// mayBe reports whether a reading of this resource may bear an identity.
func (v partVersion) mayBe(source string) bool {
	position, more := strings.CutPrefix(source, v.ID+"/")
	return source == v.ID || more && (position == noPosition || position != "" && slices.Contains(positionsApart, clinical.Position(position)))
}

// stood reports whether something was measured in standing.
func (p part) stood() bool {
	return p.Position == clinical.Standing && p.valued() || slices.ContainsFunc(p.More, part.stood)
}

// answers reports whether something says why there is no value.
func (p part) answers() bool {
	return p.Absent != "" || slices.ContainsFunc(p.More, part.answers)
}
