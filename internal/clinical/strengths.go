package clinical

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// A strength is a number, or several parted by strokes, hyphens, "to" or "or", and a
// mass unit that no denominator follows: 10 MG/ML is a concentration and says nothing
// of a tablet.
var (
	strengthShape = regexp.MustCompile(
		`(\d+(?:\.\d+)?(?:(?:\s*[/–—-]\s*|\s+(?:to|or)\s+)\d+(?:\.\d+)?)*)\s*(mg|mcg|ug|µg|μg|g)\b`)
	numberShape      = regexp.MustCompile(`\d+(?:\.\d+)?`)
	denominatorShape = regexp.MustCompile(`^\s*(/|per)\s*(\d+(\.\d+)?\s*)?(ml|l|h|hr|hour|d|day|actuat|actuation|dose|spray|puff|cm2|min)\b`)
	strokeShape      = regexp.MustCompile(`[/+]`)
	// between two strengths of two drugs: a stroke, or a word that is no unit
	partedShape = regexp.MustCompile(`[/+]|\pL{4,}`)
)

type strength struct {
	at, end int // bytes of the text
	mg      float64
}

// strengthsIn lists the strengths that a text in lower case states.
func strengthsIn(text string) []strength {
	var out []strength
	for _, m := range strengthShape.FindAllStringSubmatchIndex(text, -1) {
		factor, ok := massMG(text[m[4]:m[5]])
		before, _ := utf8.DecodeLastRuneInString(text[:m[0]])
		glued := strings.ContainsRune(".,·'0123456789", before) // part of a number in another form
		if !ok || glued || denominatorShape.MatchString(text[m[5]:]) {
			continue
		}
		for _, n := range numberShape.FindAllStringIndex(text[m[2]:m[3]], -1) {
			if v, err := strconv.ParseFloat(text[m[2]+n[0]:m[2]+n[1]], 64); err == nil {
				out = append(out, strength{m[2] + n[0], m[5], v * factor})
			}
		}
	}
	return out
}

// lone is the one strength that the text states, nil where it states none or several.
func (n naming) lone() *float64 {
	if all := strengthsIn(n.text); len(all) == 1 {
		return &all[0].mg
	}
	return nil
}

// strengthOf is the strength that the text states for a substance (E-DRUG).
// Sacubitril/valsartan has the sum of its two.
func (n naming) strengthOf(s *substance) *float64 {
	var own []int
	for k, p := range n.places {
		if p.sub == s {
			own = append(own, k)
		}
	}
	all := strengthsIn(n.text)
	switch {
	case len(own) == 0:
		return n.lone()
	case s.ATC == sacubitrilValsartan && len(own) == len(n.places):
		return n.strengthOfPair(all)
	}
	sum := 0.0
	for _, k := range own {
		mg := n.strengthAt(k, all)
		if mg == nil {
			return nil
		}
		sum += *mg
	}
	return &sum
}

// strengthOfPair is the strength of sacubitril/valsartan where the text names nothing
// else: of two strengths the sum; one stands for the whole, but not behind both names.
func (n naming) strengthOfPair(all []strength) *float64 {
	switch {
	case len(all) == 2:
		sum := all[0].mg + all[1].mg
		return &sum
	case len(all) == 1 && (len(n.places) == 1 || n.places[0].combined && n.places[1].combined):
		return &all[0].mg
	}
	return nil
}

// strengthAt is the strength of the name at a place. All names before all strengths:
// by rank, if there are as many. A trade name of a combination: by rank too, if the
// text states as many strengths as it names ingredients. Otherwise a strength stands
// with its name.
func (n naming) strengthAt(k int, all []strength) *float64 {
	names := len(n.places)
	last := n.places[names-1]
	behind := len(all) > 0 && all[0].at >= last.end
	switch {
	case len(all) < names: // whose strength it is, a text cannot be trusted to say
		return nil
	case n.places[k].combined:
		return rank(all, k, names)
	case behind && n.strokesBefore(all[0].at) > 0:
		return n.rankByStrokes(k, all)
	case behind && names > 1:
		return rank(all, k, names)
	case names == 1 && !strokeShape.MatchString(n.text):
		return n.lone() // two strengths of one ingredient are a range
	case len(all) > 0 && all[0].at < n.places[0].start && all[len(all)-1].end <= last.start:
		return n.strengthBefore(k, all)
	}
	return n.strengthBehind(k, all)
}

func rank(all []strength, k, names int) *float64 {
	if len(all) != names {
		return nil
	}
	return &all[k].mg
}

// strokesBefore counts the strokes that part names before end. One before a name that
// stands for the second time parts nothing: one ingredient named twice counts once.
func (n naming) strokesBefore(end int) int {
	count := len(strokeShape.FindAllString(n.text[:end], -1))
	for _, again := range n.repeats {
		before := strings.TrimRight(n.text[:again.start], " ")
		if again.start < end && before != "" && strokeShape.MatchString(before[len(before)-1:]) {
			count--
		}
	}
	return count
}

// rankByStrokes tells strengths behind all names by rank where strokes part the names:
// one that is not known here has its rank too.
func (n naming) rankByStrokes(k int, all []strength) *float64 {
	parts := n.strokesBefore(all[0].at) + 1
	switch {
	case len(all) == parts && parts > len(n.places):
		return &all[n.strokesBefore(n.places[k].start)].mg
	case parts > len(n.places):
		return nil
	}
	return rank(all, k, len(n.places))
}

// strengthBehind is the one strength between a name and the next.
func (n naming) strengthBehind(k int, all []strength) *float64 {
	next := len(n.text)
	if k+1 < len(n.places) {
		next = n.places[k+1].start
	}
	return n.oneOf(slices.DeleteFunc(slices.Clone(all), func(s strength) bool {
		return s.at < n.places[k].end || s.at >= next
	}))
}

// strengthBefore is the one strength between a name and the one before it, where
// strengths stand before their names ("5 mg a / 20 mg b").
func (n naming) strengthBefore(k int, all []strength) *float64 {
	previous := 0
	if k > 0 {
		previous = n.places[k-1].end
	}
	own := slices.DeleteFunc(slices.Clone(all), func(s strength) bool {
		return s.at < previous || s.at >= n.places[k].start
	})
	if len(own) > 0 && strokeShape.MatchString(n.text[own[len(own)-1].end:n.places[k].start]) {
		return nil // it belongs to a name that is not known here
	}
	return n.oneOf(own)
}

// oneOf is the first of the strengths, nil where another of the same drug follows: a
// range says nothing of a tablet.
func (n naming) oneOf(own []strength) *float64 {
	if len(own) == 0 {
		return nil
	}
	if len(own) > 1 {
		between := n.text[min(own[0].end, own[1].at):own[1].at]
		if !partedShape.MatchString(between) {
			return nil
		}
	}
	return &own[0].mg
}
