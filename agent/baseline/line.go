package baseline

import "math"

// Line is the straight line y = Mean + Slope·(t - At) through points by least
// squares.
type Line struct {
	At, Mean, Slope float64
	// USlope and UMean are the standard uncertainties from the scatter around the
	// line, as if the points were independent; infinite of two points or fewer.
	USlope, UMean float64
	N             int
}

// Straight lays a line through n points. One that is at one t alone, or of one
// point, has no slope: 0.
func Straight(n int, point func(i int) (t, y float64)) Line {
	l := Line{N: n, USlope: math.Inf(1), UMean: math.Inf(1)}
	count := float64(n)
	for i := range n {
		t, y := point(i)
		l.At += t / count
		l.Mean += y / count
	}
	var tt, ty, yy float64
	for i := range n {
		t, y := point(i)
		t, y = t-l.At, y-l.Mean
		tt, ty, yy = tt+float64(t*t), ty+float64(t*y), yy+float64(y*y)
	}
	if tt == 0 {
		return l
	}
	l.Slope = ty / tt
	if n > 2 {
		rest := math.Sqrt(max(0, yy-float64(l.Slope*ty)) / (count - 2))
		l.USlope, l.UMean = rest/math.Sqrt(tt), rest/math.Sqrt(count)
	}
	return l
}

// Value is the line at t.
func (l *Line) Value(t float64) float64 { return l.Mean + float64(l.Slope*(t-l.At)) }
