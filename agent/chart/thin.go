package chart

import "math"

// columnPt is the width of the columns to which lines of more points are thinned.
const columnPt = 1.0

// thin keeps of each column of columnPt that holds more than four points the first, the
// lowest, the highest and the last in their order, so that the line covers the same dots
// as that of all points would: no spike is lost, whatever the number of points. Points
// ascend in x.
func thin(points []point) []point {
	out := points[:0:0]
	for i := 0; i < len(points); {
		column := math.Floor(points[i].x / columnPt)
		j, lo, hi := i, i, i
		for ; j < len(points) && math.Floor(points[j].x/columnPt) == column; j++ {
			if points[j].y < points[lo].y {
				lo = j
			}
			if points[j].y > points[hi].y {
				hi = j
			}
		}
		if j-i <= 4 {
			out = append(out, points[i:j]...)
		} else {
			last := -1
			for _, k := range []int{i, min(lo, hi), max(lo, hi), j - 1} {
				if k != last {
					out = append(out, points[k])
				}
				last = k
			}
		}
		i = j
	}
	return straight(out)
}

// straight leaves out the middle of three points on a level or upright line.
func straight(points []point) []point {
	out := points[:0:0]
	for _, p := range points {
		if n := len(out); n >= 2 {
			a, b := out[n-2], out[n-1]
			level := a.y == b.y && b.y == p.y
			upright := a.x == b.x && b.x == p.x && (b.y-a.y)*(p.y-b.y) >= 0
			if level || upright {
				out[n-1] = p
				continue
			}
		}
		out = append(out, p)
	}
	return out
}

// run is a stretch of a series that was observed: places of its line, and of the lower
// and upper edge of its band where it has one.
type run struct{ line, low, high []point }

// runs are the stretches of a series between gaps, of x within the scale; a step holds to the next x, the
// last as long as the one before it.
func (s *Series) runs(x, y scale) (all []run) {
	var r run
	end := func() {
		if len(r.line) > 0 {
			all = append(all, run{thin(r.line), thin(r.low), thin(r.high)})
		}
		r = run{}
	}
	banded := len(s.Low) > 0 && len(s.High) > 0
	for i := range s.X {
		from, v := s.X[i], s.Y.at(i)
		to := from
		if s.Step {
			to = s.until(i)
		}
		if !known(from) || !known(v) || to < x.lo || from > x.hi {
			end()
			continue
		}
		for _, at := range []float64{from, to} {
			r.line = append(r.line, point{x.within(at), y.within(v)})
			if lo, hi := s.Low.at(i), s.High.at(i); banded {
				if !known(lo) || !known(hi) {
					lo, hi = v, v
				}
				r.low = append(r.low, point{x.within(at), y.within(lo)})
				r.high = append(r.high, point{x.within(at), y.within(hi)})
			}
			if !s.Step {
				break
			}
		}
	}
	end()
	return all
}

// until is how far the i-th step holds.
func (s *Series) until(i int) float64 {
	switch {
	case i+1 < len(s.X) && known(s.X[i+1]):
		return s.X[i+1]
	case i > 0 && known(s.X[i-1]):
		return 2*s.X[i] - s.X[i-1]
	}
	return s.X[i]
}

// band is the outline of a run's band.
func (r *run) band() shape {
	outline := append([]point(nil), r.high...)
	for i := len(r.low) - 1; i >= 0; i-- {
		outline = append(outline, r.low[i])
	}
	return shape{outline, true}
}

// under is the outline of what lies between a run and a level.
func (r *run) under(level float64) shape {
	outline := append([]point{{r.line[0].x, level}}, r.line...)
	return shape{append(outline, point{r.line[len(r.line)-1].x, level}), true}
}
