package trends

import (
	"testing"

	"plumbline/internal/clinical"
)

func TestTheReadingThatSpeaksForASet(t *testing.T) {
	num := func(v float64) *float64 { return &v }
	compares := func(systolic, drop float64) Upright {
		return Upright{Position: clinical.Standing, Systolic: num(systolic), SystolicDrop: num(drop)}
	}
	otherLimb := Upright{Position: clinical.Standing, Systolic: num(90)} // compares with nothing
	noPressure := Upright{Position: clinical.Standing}
	for name, c := range map[string]struct {
		upright []Upright
		want    float64 // 0: none
	}{
		"the lowest that compares":        {[]Upright{otherLimb, compares(118, 24), compares(108, 34)}, 108},
		"where none compares, the first":  {[]Upright{noPressure, otherLimb, {Systolic: num(80)}}, 90},
		"a tie is settled by order":       {[]Upright{compares(108, 34), compares(108, 34)}, 108},
		"no reading":                      {nil, 0},
		"no reading that has a pressure":  {[]Upright{noPressure}, 0},
		"a lower one that does not count": {[]Upright{compares(120, 22), otherLimb}, 120},
	} {
		got := Set{Upright: c.upright}.Decisive()
		switch {
		case got == nil && c.want != 0, got != nil && *got.Systolic != c.want:
			t.Errorf("%s: %+v, want %v", name, got, c.want)
		case got != nil && name == "a tie is settled by order" && got != &c.upright[0]:
			t.Errorf("%s: the later one", name)
		}
	}
}
