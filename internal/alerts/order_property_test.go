package alerts

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// drawPlace draws what the order of the list looks at, often alike.
func drawPlace(t *rapid.T) Assessment {
	a := Assessment{decidedBy: rapid.IntRange(0, 3).Draw(t, "rule")}
	a.Digest.StayID = rapid.StringMatching(`S[0-9]{1,2}`).Draw(t, "stay")
	a.Digest.Stay = clinical.Stay{Bed: rapid.OneOf(rapid.Just(""), rapid.StringMatching(`[0-9]{0,3}[AB-]?[0-9]{0,2}`), rapid.StringN(0, 4, 8)).Draw(t, "bed")}
	if h := rapid.IntRange(-1, 2).Draw(t, "due"); h >= 0 {
		due := noon.Add(time.Duration(h) * time.Hour)
		a.Recheck.DueAt = &due
	}
	if drop := rapid.IntRange(-1, 2).Draw(t, "drop"); drop >= 0 {
		d := float64(drop)
		a.Digest.Sets = []trends.Set{{SystolicDrop: &d}}
	}
	return a
}

func sign(n int) int { return max(-1, min(1, n)) }

// The rank is a total order: any two have one, it is the same from either side and
// carries over, and only a stay equals itself.
func TestTheOrderOfTheListIsTotal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := drawPlace(t), drawPlace(t), drawPlace(t)
		if sign(compare(a, b)) != -sign(compare(b, a)) {
			t.Fatalf("%d one way, %d the other: %+v %+v", compare(a, b), compare(b, a), a, b)
		}
		if compare(a, b) <= 0 && compare(b, c) <= 0 && compare(a, c) > 0 {
			t.Fatalf("does not carry over: %+v %+v %+v", a, b, c)
		}
		if compare(a, b) == 0 && a.Digest.StayID != b.Digest.StayID {
			t.Fatalf("two stays in one place: %+v %+v", a, b)
		}
		if compare(a, a) != 0 {
			t.Fatalf("not in its own place: %+v", a)
		}
	})
}

func TestTheRankDoesNotDependOnTheOrderBefore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfNDistinct(rapid.Custom(drawPlace), 2, 8, func(a Assessment) string { return a.Digest.StayID }).Draw(t, "list")
		other := rapid.Permutation(list).Draw(t, "shuffled")
		list = slices.Clone(list)
		Rank(list)
		Rank(other)
		for n := range list {
			if list[n].Digest.StayID != other[n].Digest.StayID || list[n].Rank != n+1 {
				t.Fatalf("%d: %s and %s", n+1, list[n].Digest.StayID, other[n].Digest.StayID)
			}
		}
	})
}
