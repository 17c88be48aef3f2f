package analysis

import (
	"fmt"
	"math"
	"time"

	"loadscribe/agent/baseline"
)

// leastGrowthNights is how many nights each side of a comparison needs: with two the
// t of Student is so large that only a straight line would be told from chance.
const leastGrowthNights = 3

// NightGrowth is by how much more flows in quiet hours of the later nights than of
// the earlier ones, each night's flow brought to one pressure.
type NightGrowth struct {
	Share float64 // 0.2 is a fifth more
	// Half is the half width of its interval at 95 %: how the nights differ among
	// each other. What all share, as a rated flow, goes out of the ratio.
	Half           float64
	Before, Latest int    // how many nights
	Absent         string // why it cannot be told; else empty
}

// Surely reports whether the interval excludes that nothing has grown.
func (g *NightGrowth) Surely() bool { return g.Absent == "" && g.Share-g.Half > 0 }

// GrowthOf compares the nights of an answer that begin at or after fromMS (Unix ms,
// UTC) with those before. barometerPa is the air pressure outside: leaks follow the
// absolute pressure. The interval is Welch's, of means with unlike scatter (Welch
// 1947, from memory), to first order for their ratio.
func GrowthOf(nights []Night, fromMS int64, barometerPa float64) NightGrowth {
	var before, latest sample
	for i := range nights {
		n := &nights[i]
		at, err := time.Parse(time.RFC3339, n.From)
		if n.Flow == nil || n.Pressure == nil || err != nil {
			continue
		}
		level := *n.Flow / (*n.Pressure + barometerPa)
		if at.UnixMilli() < fromMS {
			before = append(before, level)
		} else {
			latest = append(latest, level)
		}
	}
	g := NightGrowth{Before: len(before), Latest: len(latest)}
	switch {
	case len(before) < leastGrowthNights || len(latest) < leastGrowthNights:
		g.Absent = fmt.Sprintf("%d quiet nights against %d before: it takes %d each", len(latest), len(before), leastGrowthNights)
	case before.mean() <= 0:
		g.Absent = "nothing flowed in the quiet nights before: there is nothing to compare with"
	default:
		g.Share, g.Half = growth(before, latest)
	}
	return g
}

// sample is the levels of some nights.
type sample []float64

func (s sample) mean() float64 {
	sum := 0.0
	for _, v := range s {
		sum += v
	}
	return sum / float64(len(s))
}

// meanVariance is the variance of the mean.
func (s sample) meanVariance() float64 {
	m, sum := s.mean(), 0.0
	for _, v := range s {
		sum += float64((v - m) * (v - m))
	}
	n := float64(len(s))
	return sum / (n - 1) / n
}

func growth(before, latest sample) (share, half float64) {
	a, b := before.mean(), latest.mean()
	ratio := b / a
	// of the ratio: that of the later mean, and that of the earlier one times the ratio
	va, vb := float64(before.meanVariance()*float64(ratio*ratio)), latest.meanVariance()
	v := va + vb
	if v == 0 {
		return ratio - 1, 0
	}
	df := float64(v*v) / (float64(va*va)/float64(len(before)-1) + float64(vb*vb)/float64(len(latest)-1))
	return ratio - 1, baseline.Quantile(stated, df) * math.Sqrt(v) / a
}
