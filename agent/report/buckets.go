package report

import (
	"math"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/chart"
	"loadscribe/agent/store"
)

// bucketMS is how fine a day's line is drawn: 288 places on a strip some 450 points
// wide. Lowest and highest of each are kept, so that no spike is lost.
const bucketMS = 5 * 60_000

// bucketed is a series by buckets of UTC.
type bucketed struct {
	unit string
	all  []bucket
}

type bucket struct {
	startMS        int64
	sum, low, high float64
	n              int64
}

// bucketsOf gathers cells, which are in order of time.
func bucketsOf(s *store.Series) *bucketed {
	out := &bucketed{unit: s.Unit}
	for i := range s.Cells {
		c := &s.Cells[i]
		if c.Count == 0 {
			continue
		}
		start := c.StartMS - ((c.StartMS%bucketMS)+bucketMS)%bucketMS
		n := len(out.all)
		if n == 0 || out.all[n-1].startMS != start {
			out.all = append(out.all, bucket{startMS: start, low: c.Min, high: c.Max})
			n++
		}
		b := &out.all[n-1]
		b.sum += c.Sum
		b.n += c.Count
		b.low, b.high = min(b.low, c.Min), max(b.high, c.Max)
	}
	return out
}

// line is a day of it by the clock: the means, with a band from lowest to highest. A
// bucket of which nothing was read breaks it.
func (s *bucketed) line(day analysis.LocalDay, loc *time.Location, convert func(float64) float64) (l chart.Series) {
	last := math.Inf(-1)
	point := func(x, y, low, high float64) {
		l.X, l.Y = append(l.X, rounded(x)), append(l.Y, rounded(y))
		l.Low, l.High = append(l.Low, rounded(low)), append(l.High, rounded(high))
	}
	before := int64(0)
	for _, b := range s.all {
		if b.startMS < day.FromMS || b.startMS >= day.ToMS {
			continue
		}
		x := clockHour(b.startMS+bucketMS/2, loc)
		if x <= last { // the hour that the clock shows twice
			continue
		}
		if n := math.NaN(); before > 0 && b.startMS-before > bucketMS && x-last > 1.5*bucketMS/3.6e6 {
			point((last+x)/2, n, n, n)
		}
		point(x, convert(b.sum/float64(b.n)), convert(b.low), convert(b.high))
		last, before = x, b.startMS
	}
	return l
}
