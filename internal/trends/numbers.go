package trends

import (
	"math"
	"time"
)

// tolerance: a computed value this near to a threshold, relatively, counts as
// equal to it, so that a value converted from kPa is judged as it was meant.
const tolerance = 1e-9

func near(x, threshold float64) bool {
	return math.Abs(x-threshold) <= tolerance*math.Abs(threshold)
}

// AtLeast reports x >= threshold, a value within 1e-9 of it counting as equal.
func AtLeast(x, threshold float64) bool { return x >= threshold || near(x, threshold) }

// AtMost reports x <= threshold with the same tolerance.
func AtMost(x, threshold float64) bool { return x <= threshold || near(x, threshold) }

// Above reports x > threshold with the same tolerance.
func Above(x, threshold float64) bool { return x > threshold && !near(x, threshold) }

// Below reports x < threshold with the same tolerance.
func Below(x, threshold float64) bool { return x < threshold && !near(x, threshold) }

func between(x, low, high float64) bool { return AtLeast(x, low) && AtMost(x, high) }

// finest is how many parts of a mmHg a difference is told to: under that it is the
// noise of conversion and subtraction.
const finest = 1e9

// difference is a - b without the noise of its computation: drops that are equal as
// charted are ties, in kPa too. No charted digit is lost.
func difference(a, b float64) float64 { return math.Round((a-b)*finest) / finest }

func ptr[T any](v T) *T { return &v }

// larger is the larger of two values, either of which may be unknown.
func larger(a *float64, b *float64) *float64 {
	if a == nil || b != nil && *b > *a {
		return b
	}
	return a
}

// InWindow reports whether at lies in the window of length d that ends at end:
// (end - d, end]; its early end is outside.
func InWindow(at, end time.Time, d time.Duration) bool {
	return at.After(end.Add(-d)) && !at.After(end)
}

// AgeOn is the age in whole years on the day of t in the site's zone. known is
// false where the birth date is unknown or partial.
func AgeOn(birthDate string, t time.Time, zone *time.Location) (age int, known bool) {
	born, err := time.Parse("2006-01-02", birthDate)
	if err != nil {
		return 0, false
	}
	day := t.In(zone)
	age = day.Year() - born.Year()
	if day.Month() < born.Month() || day.Month() == born.Month() && day.Day() < born.Day() {
		age--
	}
	return age, true
}

// unknownAge is what an unknown age counts as, in years.
const unknownAge = 65

// AgeOr65 is the age on the day of t, an unknown one counting as 65.
func AgeOr65(birthDate string, t time.Time, zone *time.Location) int {
	if age, ok := AgeOn(birthDate, t, zone); ok {
		return age
	}
	return unknownAge
}
