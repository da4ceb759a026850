package trends

import "math"

const controlSigmas = 3.0 // limits stand this many sigma from the center (Shewhart)

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
