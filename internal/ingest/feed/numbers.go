package feed

import (
	"math"
	"regexp"
	"strconv"
)

var decimal = regexp.MustCompile(`^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?$`)

// LargestNumber bounds what is read, so that no sum of it can overflow.
const LargestNumber = 1e15

// ParseNumber reads a decimal number. ok is false for anything else, and for one that is
// too large to be true.
func ParseNumber(s string) (f float64, ok bool) {
	if !decimal.MatchString(s) {
		return 0, false
	}
	f, err := strconv.ParseFloat(s, 64)
	return f, err == nil && math.Abs(f) <= LargestNumber
}
