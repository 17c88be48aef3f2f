package analysis

// Moment says when a figure that is an extreme was what it is: RFC 3339 UTC.
type Moment struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// moment says when a figure was what it is, within the window. Of a figure that
// has no value it says nothing.
func (s *sheet) moment(name string, from, to int64) {
	f, ok := s.figures[name]
	from, to = max(from, s.g.from), min(to, s.g.to)
	if !ok || f.Value == nil || from > to {
		return
	}
	f.At = &Moment{From: stamp(from), To: stamp(to)}
	s.figures[name] = f
}

// firstSeen are the parts of cells in which the lowest and the highest count
// were first seen. The fold keeps an extreme of each cell and not its moment:
// a quarter hour is near enough to find it in the readings.
type firstSeen struct {
	seen            bool
	least, most     int64
	leastIn, mostIn span
}

// see takes the extremes of a part of a cell, the parts in the order of their scans.
func (e *firstSeen) see(a *analogSum, from, to int64) {
	if a.n == 0 {
		return
	}
	if !e.seen || a.min < e.least {
		e.least, e.leastIn = a.min, span{from, to}
	}
	if !e.seen || a.max > e.most {
		e.most, e.mostIn = a.max, span{from, to}
	}
	e.seen = true
}

// inSI says where the lowest and the highest reading are, whatever the sign of
// the channel's scale.
func (e *firstSeen) inSI(c *chanSpec) (low, high span) {
	if c.countSI < 0 {
		return e.mostIn, e.leastIn
	}
	return e.leastIn, e.mostIn
}

// seeExtremes keeps where the extremes of a part of a cell lie that figures tell.
func (g *gathered) seeExtremes(d *delta, from, to int64) {
	if p := g.sp.pressure; p >= 0 {
		slot := g.sp.chans[p].slot
		g.seenAll.see(&d.analog[slot], from, to)
		g.seenRunning.see(&d.ran, from, to)
		if g.sp.onShift != nil && g.sp.onShift(from) {
			g.seenShift.see(&d.analog[slot], from, to)
		}
	}
	if ch := g.discharge; ch >= 0 {
		g.seenDischarge.see(&d.analog[g.sp.chans[ch].slot], from, to)
	}
}
