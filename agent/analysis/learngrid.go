package analysis

// grid is a histogram in cells of one width, no finer than the readings.
type grid struct {
	lo, width    int64
	dens, smooth []int64
}

func (h *histogram) grid() *grid {
	lo, hi := h.at(0.002), h.at(0.998)
	width := max(1, (hi-lo)/learnBins)
	if len(h.bins) > 1 {
		// A channel that steps must not leave empty cells between its steps.
		step := h.bins[1].at - h.bins[0].at
		for i := 2; i < len(h.bins); i++ {
			step = min(step, h.bins[i].at-h.bins[i-1].at)
		}
		width = max(width, step)
	}
	g := &grid{lo: lo, width: width, dens: make([]int64, (hi-lo)/width+1)}
	for _, b := range h.bins {
		if b.at >= lo && b.at <= hi {
			g.dens[(b.at-lo)/width] += b.halfMS
		}
	}
	g.smooth = make([]int64, len(g.dens))
	for i := range g.dens {
		g.smooth[i] = 2 * g.dens[i]
		if i > 0 {
			g.smooth[i] += g.dens[i-1]
		}
		if i+1 < len(g.dens) {
			g.smooth[i] += g.dens[i+1]
		}
	}
	return g
}

// mid is the middle of a cell in counts.
func (g *grid) mid(i int) int64 { return g.lo + int64(i)*g.width + g.width/2 }

// otsu is the last cell of the lower of the two classes whose means lie
// furthest apart, weighted by their sizes (N. Otsu, IEEE Trans. SMC 9, 1979,
// from memory).
func (g *grid) otsu() int {
	var all, moment float64
	for i, ms := range g.dens {
		all += float64(ms)
		moment += float64(float64(i) * float64(ms))
	}
	best, at := -1.0, 0
	var w, m float64
	for i, ms := range g.dens[:len(g.dens)-1] {
		w += float64(ms)
		m += float64(float64(i) * float64(ms))
		if w == 0 || w == all {
			continue
		}
		d := m/w - (moment-m)/(all-w)
		if between := w * (all - w) * d * d; between > best {
			best, at = between, i
		}
	}
	return at
}

// lowest is the last cell below the first valley from the bottom that has a
// peak of its own beneath it, or -1.
func (g *grid) lowest() int {
	most := g.peak(0, len(g.smooth))
	high := int64(0)
	for i := 0; i < len(g.smooth); i++ {
		high = max(high, g.smooth[i])
		if high >= most/20 && float64(g.smooth[i]) <= learnValley*float64(high) && g.peak(i, len(g.smooth)) > g.smooth[i] {
			return i
		}
	}
	return -1
}

// median is the cell in [from, to) below which half of their time lies.
func (g *grid) median(from, to int) int {
	var all, sum int64
	for _, ms := range g.dens[from:to] {
		all += ms
	}
	for i := from; i < to; i++ {
		if sum += g.dens[i]; 2*sum > all {
			return i
		}
	}
	return from
}

// peak is the highest smoothed density in [from, to).
func (g *grid) peak(from, to int) int64 {
	var high int64
	for i := max(from, 0); i < min(to, len(g.smooth)); i++ {
		high = max(high, g.smooth[i])
	}
	return high
}

// valley is the widest stretch of low density between two cells, and the least
// density in it.
func (g *grid) valley(m0, m1 int) (from, to int, least int64) {
	least = g.smooth[m0]
	for i := m0; i <= m1; i++ {
		least = min(least, g.smooth[i])
	}
	low := max(least, min(g.peak(m0, m0+1), g.peak(m1, m1+1))/20)
	from, to = m0, m0
	wide := 0
	for i := m0; i <= m1; i++ {
		j := i
		for j <= m1 && g.smooth[j] <= low {
			j++
		}
		if j-i > wide {
			from, to, wide = i, j-1, j-i
		}
		i = max(i, j)
	}
	return from, to, least
}
