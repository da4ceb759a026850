package alerts

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Rank orders the list and numbers it from 1: by deciding rule in table order,
// then recheck due time, then the drop of the latest set, then bed, then stay.
// It is a total order: two different stays never compare equal.
func Rank(list []Assessment) {
	slices.SortFunc(list, compare)
	for n := range list {
		list[n].Rank = n + 1
	}
}

func compare(a, b Assessment) int {
	return cmp.Or(
		cmp.Compare(a.decidedBy, b.decidedBy),
		unknownLast(a.Recheck.DueAt, b.Recheck.DueAt, time.Time.Compare),
		unknownLast(latestDrop(a), latestDrop(b), largestFirst),
		CompareBeds(a.Digest.Stay.Bed, b.Digest.Stay.Bed),
		strings.Compare(a.Digest.StayID, b.Digest.StayID),
	)
}

// unknownLast compares two values by a rule of their own, an unknown one last.
func unknownLast[T any](a, b *T, compare func(a, b T) int) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return 1
	case b == nil:
		return -1
	}
	return compare(*a, *b)
}

func largestFirst(a, b float64) int { return cmp.Compare(b, a) }

func latestDrop(a Assessment) *float64 {
	if set := a.Digest.LatestSet(); set != nil {
		return set.SystolicDrop
	}
	return nil
}

// CompareBeds orders bed names naturally: runs of digits as numbers, before
// letters, letters by bytes, an empty name last.
func CompareBeds(a, b string) int {
	if a == "" || b == "" {
		return cmp.Compare(boolInt(a == ""), boolInt(b == ""))
	}
	for a != "" && b != "" {
		an, bn := digits(a), digits(b)
		if an > 0 && bn > 0 {
			if c := compareNumbers(a[:an], b[:bn]); c != 0 {
				return c
			}
			a, b = a[an:], b[bn:]
			continue
		}
		if an > 0 || bn > 0 {
			return cmp.Compare(boolInt(an == 0), boolInt(bn == 0))
		}
		if a[0] != b[0] {
			return cmp.Compare(a[0], b[0])
		}
		a, b = a[1:], b[1:]
	}
	return cmp.Compare(len(a), len(b))
}

// BedWithin reports whether a bed lies in a range, ends included; "" is no end. An end stands for
// the beds that its name begins, too: 9A and 9B are beds of 9, 90 is none. No bed lies in no range
// that has an end.
func BedWithin(bed, from, to string) bool {
	return (from == "" || bed != "" && CompareBeds(bed, from) >= 0) &&
		(to == "" || bed != "" && (CompareBeds(bed, to) <= 0 || partOf(bed, to)))
}

// partOf reports whether a bed is one of those that a shorter name stands for.
func partOf(bed, name string) bool {
	rest, ok := strings.CutPrefix(bed, name)
	return ok && rest != "" && (rest[0] < '0' || rest[0] > '9')
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// digits is the length of the run of digits that s begins with.
func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

func compareNumbers(a, b string) int {
	a, b = strings.TrimLeft(a, "0"), strings.TrimLeft(b, "0")
	return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b))
}
