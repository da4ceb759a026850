package trends

import "math"

const (
	controlSigmas = 3.0 // limits stand this many sigma from the center (Shewhart)

	// rangePerSigma is the mean range of two normal values, in sigma: d2 of the
	// tables for control charts, to three decimals as they print it.
	rangePerSigma = 1.128

	// individualsFactor times the mean moving range is three sigma of an
	// individuals chart: 3/1.128, to two decimals as the tables print it.
	individualsFactor = 2.66

	// weibullPower makes waiting times between rare events near to normal
	// (Nelson 1994).
	weibullPower = 3.6

	medianTail = 0.5     // P(X above the median)
	upperTail  = 0.00135 // P(X above the limit): one side of three sigma of a normal
)

// ControlPoint is one period on a control chart. Value, center and limits have
// one unit; nil is not computed. Sigma is that of this period before the limits
// are cut to what is possible (a rate is not under 0, a share not over 1).
type ControlPoint struct {
	Value, Center, Lower, Upper *float64
	Sigma                       *float64
}

// limit sets sigma and the limits that follow from it, cut to 0 and ceiling.
func (p *ControlPoint) limit(sigma, ceiling float64) {
	p.Sigma = ptr(sigma)
	p.Lower = ptr(math.Max(0, *p.Center-controlSigmas*sigma))
	p.Upper = ptr(math.Min(ceiling, *p.Center+controlSigmas*sigma))
}

// UChart is the chart of events per unit of area of opportunity (patient-days,
// say, or thousands of them; figures are per 1 of the unit given). areas is as
// long as counts. The center is all events over all areas, sigma
// sqrt(center/area). A period whose area is not above 0 has a center alone, and
// its events are not counted in it; without any area nothing is computed.
func UChart(counts []int, areas []float64) []ControlPoint {
	return ratioChart(counts, areas, math.Sqrt, math.Inf(1))
}

// PChart is the chart of shares, 0 to 1: events of sizes, which is as long as
// events and at least as large everywhere. The center is all events over all
// sizes, sigma sqrt(center (1 - center)/size). A period of size 0 has a center
// alone.
func PChart(events, sizes []int) []ControlPoint {
	bases := make([]float64, len(sizes))
	for n, size := range sizes {
		bases[n] = float64(size)
	}
	spread := func(center float64) float64 { return math.Sqrt(center * (1 - center)) }
	return ratioChart(events, bases, spread, 1)
}

// CChart is the chart of counts of periods of equal opportunity: the center is
// their mean, sigma its square root.
func CChart(counts []int) []ControlPoint {
	same := make([]float64, len(counts))
	for n := range same {
		same[n] = 1
	}
	return UChart(counts, same)
}

// ratioChart is the chart of events over bases with sigma spread(center) /
// sqrt(base).
func ratioChart(events []int, bases []float64, spread func(center float64) float64, ceiling float64) []ControlPoint {
	points := make([]ControlPoint, len(events))
	total, base := 0.0, 0.0
	for n, b := range bases {
		if b > 0 {
			total += float64(events[n])
			base += b
		}
	}
	if base == 0 {
		return points
	}
	center := total / base
	for n, b := range bases {
		points[n].Center = ptr(center)
		if b > 0 {
			points[n].Value = ptr(float64(events[n]) / b)
			points[n].limit(spread(center)/math.Sqrt(b), ceiling)
		}
	}
	return points
}

// LaneyU is the u' chart: a u-chart whose sigma is multiplied by that of the
// standardised rates z, their mean moving range over 1.128, so that limits hold
// where counts scatter more or less than Poisson counts do. Periods without area
// are passed over: the range is taken between those beside them. Sigma and
// limits are nil under two periods with area, and where no event happened.
// Source: Laney 2002.
func LaneyU(counts []int, areas []float64) []ControlPoint {
	points := UChart(counts, areas)
	var z []float64
	for _, p := range points {
		if p.Value != nil && *p.Sigma > 0 {
			z = append(z, (*p.Value-*p.Center) / *p.Sigma)
		}
	}
	scatter := meanRange(z)
	for n := range points {
		p := &points[n]
		switch {
		case p.Value == nil:
		case scatter == nil:
			p.Sigma, p.Lower, p.Upper = nil, nil, nil
		default:
			p.limit(*p.Sigma**scatter/rangePerSigma, math.Inf(1))
		}
	}
	return points
}

// meanRange is the mean moving range of successive values; nil under two.
func meanRange(values []float64) *float64 {
	if len(values) < 2 {
		return nil
	}
	sum := 0.0
	for n := 1; n < len(values); n++ {
		sum += math.Abs(values[n] - values[n-1])
	}
	return ptr(sum / float64(len(values)-1))
}

// GChart is the chart of counts between rare events (days between falls, 0 or
// more): their mean, and the mean + 3 sqrt(mean (mean + 1)), three sigma of a
// geometric distribution. The lower limit is 0. nil without data.
// Source: Benneyan 2001.
func GChart(gaps []int) (center, upper *float64) {
	mean := meanGap(gaps)
	if mean == nil {
		return nil, nil
	}
	return mean, ptr(*mean + controlSigmas*math.Sqrt(*mean*(*mean+1)))
}

// GProbabilityLimits are the median and the 0.99865 quantile of the geometric
// distribution with the mean of the gaps, p = 1/(mean + 1), between whole
// numbers: ln(tail)/ln(1 - p) - 1, and 0 where that is negative. The
// distribution is so skew that three sigma are passed far more often than on
// other charts; these limits are not. nil without data.
// Source: Benneyan 2001.
func GProbabilityLimits(gaps []int) (center, upper *float64) {
	mean := meanGap(gaps)
	if mean == nil {
		return nil, nil
	}
	perTrial := math.Log1p(-1 / (*mean + 1)) // of no event
	quantile := func(tail float64) *float64 { return ptr(math.Max(0, math.Log(tail)/perTrial-1)) }
	return quantile(medianTail), quantile(upperTail)
}

func meanGap(gaps []int) *float64 {
	if len(gaps) == 0 {
		return nil
	}
	sum := 0.0
	for _, gap := range gaps {
		sum += float64(gap)
	}
	return ptr(sum / float64(len(gaps)))
}

// TChart is the chart of times between rare events, in the unit given, 0 or
// more: an individuals chart of x^(1/3.6), its limits 2.66 mean moving ranges
// from the mean, transformed back; the lower limit is cut at 0. nil under two
// values.
// Source: Nelson 1994.
func TChart(gaps []float64) (center, lower, upper *float64) {
	transformed, sum := make([]float64, len(gaps)), 0.0
	for n, gap := range gaps {
		transformed[n] = math.Pow(gap, 1/weibullPower)
		sum += transformed[n]
	}
	spread := meanRange(transformed)
	if spread == nil {
		return nil, nil, nil
	}
	reach := individualsFactor * *spread
	mean := sum / float64(len(gaps))
	back := func(y float64) *float64 { return ptr(math.Pow(math.Max(0, y), weibullPower)) }
	return back(mean), back(mean - reach), back(mean + reach)
}
