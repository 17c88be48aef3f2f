package analysis

import (
	"fmt"
	"math"
)

// tally of the unloads that ended in the window.
type unloadTally struct {
	all, judged, blown, kept int
	long                     int // a minute and more
	settled                  int // power settled, the sump blown down
}

func tallyUnloads(falls []unload) (n unloadTally) {
	n.all = len(falls)
	for i := range falls {
		u := &falls[i]
		if u.ms >= settleMS {
			n.long++
		}
		switch u.verdict {
		case blownDown:
			n.blown++
		case keptPressure:
			n.kept++
		}
		if u.power.settled && u.verdict != keptPressure {
			n.settled++
		}
	}
	n.judged = n.blown + n.kept
	return n
}

// settledOf says how many unloads settled of how many.
func (n *unloadTally) settledOf() string {
	if n.all == 0 {
		return "no unload was seen whole"
	}
	text := fmt.Sprintf("%d of %s settled", n.settled, counted(n.all, "unload", "unloads"))
	if n.kept > 0 {
		text += fmt.Sprintf(", %d kept the sump's pressure and are left out", n.kept)
	}
	return text
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// neverSettled is why there is no settled unloaded power.
func (n *unloadTally) neverSettled() string {
	switch {
	case n.all == 0:
		return "unloaded power never settled: no unloaded time was long enough"
	case n.kept > 0 && n.blown == 0:
		return fmt.Sprintf("unloaded power never settled after a blow-down: of %s, %d kept the sump's pressure and none blew down",
			counted(n.all, "unload", "unloads"), n.kept)
	}
	return fmt.Sprintf("unloaded power never settled: none of %s was long enough", counted(n.all, "unload", "unloads"))
}

// blowDown sets blowdown_time and sump_pressure_residual.
func (s *sheet) blowDown() {
	sp, falls := s.g.sp, s.g.total.falls
	names := []string{"blowdown_time", "sump_pressure_residual"}
	switch {
	case !sp.hasStates:
		s.absent(sp.statesAbsent, names...)
		return
	case sp.runOnly:
		s.absent("no loaded signal, load fraction or power level tells loaded from unloaded", names...)
		return
	}
	n := tallyUnloads(falls)
	var bySump, byPower, residual []int64
	for i := range falls {
		u := &falls[i]
		if u.verdict != blownDown {
			continue
		}
		if u.sump.ms > 0 {
			bySump = append(bySump, u.sump.ms)
		}
		if u.power.ms > 0 {
			byPower = append(byPower, u.power.ms)
		}
		if u.sump.has && u.sump.settled {
			residual = append(residual, u.sump.last)
		}
	}
	s.blowDownTime(&n, bySump, byPower)
	s.residual(&n, residual)
}

func (s *sheet) blowDownTime(n *unloadTally, bySump, byPower []int64) {
	const name = "blowdown_time"
	sp := s.g.sp
	times, method := bySump, ""
	var c *chanSpec
	switch {
	case len(bySump) > 0:
		c = &sp.chans[sp.sump]
		method = "median time from unloading until nine tenths of the sump pressure's fall to its settled mean were done"
	case len(byPower) > 0:
		times, c = byPower, &sp.chans[sp.draw]
		method = fmt.Sprintf("median time, by the power curve, until nine tenths of the fall to settled power were done, counted from the first mean %d s and more after unloading, when the inlet valve has closed; on an exponential fall that is as long as from the unload", valveClosedMS/1000)
		if sp.sump >= 0 {
			method += " (the sump pressure was not read)"
		} else {
			method += " (no sump pressure channel)"
		}
	default:
		s.absent(n.noBlowDown(sp), name)
		return
	}
	// The unload may lie a period of its signal early, the readings are a period
	// apart, and nothing is told within a step of two seconds.
	seconds := quad(medianSpread(times)/1000, rectangular(s.periodS()), rectangular(float64(c.periodMS)/1000), rectangular(1))
	s.ratio(name, "s", estimate{medianCount(times) / 1000, seconds}, method,
		fmt.Sprintf("%d of %s", len(times), counted(n.all, "unload", "unloads")), append([]string{c.input()}, s.stateInputs()...))
}

// noBlowDown is why no blow-down can be told of.
func (n *unloadTally) noBlowDown(sp *spec) string {
	switch {
	case sp.sump < 0 && !sp.drawsPower():
		return "no sump pressure channel and no power: nothing shows the blow-down"
	case sp.sump < 0 && !sp.powerShows():
		return "no sump pressure channel, and behind a drive power falls with the speed: nothing shows the blow-down"
	case n.all == 0:
		return "no unload was seen whole"
	case n.kept > 0 && n.blown == 0:
		return fmt.Sprintf("the sump did not blow down in any of %s of a minute and more: see the remarks", counted(n.kept, "unload", "unloads"))
	case n.long == 0:
		return fmt.Sprintf("none of %s lasted a minute", counted(n.all, "unload", "unloads"))
	}
	return fmt.Sprintf("none of %s lasted until it settled", counted(n.all, "unload", "unloads"))
}

func (s *sheet) residual(n *unloadTally, sixteenths []int64) {
	const name = "sump_pressure_residual"
	sp := s.g.sp
	switch {
	case sp.sump < 0:
		s.absent("no sump pressure channel: the power curve shows when the sump has blown down, not to which pressure", name)
	case len(sixteenths) == 0 && n.blown > 0:
		s.absent("the sump pressure never settled: no unload was long enough", name)
	case len(sixteenths) == 0:
		s.absent(n.noBlowDown(sp), name)
	default:
		c := &sp.chans[sp.sump]
		pa := c.si(medianCount(sixteenths) / 16)
		u := quad(c.reading(pa), float64(medianSpread(sixteenths)/16*c.countSI))
		s.ratio(name, "kPa", estimate{pa, u}.scaled(1/pascalsPerKPa), "median over unloads of the sump pressure's mean once it has stopped falling, gauge",
			fmt.Sprintf("%d of %s", len(sixteenths), counted(n.all, "unload", "unloads")), []string{c.input()})
	}
}

// medianCount is the median of counts or milliseconds.
func medianCount(values []int64) float64 {
	twice := make([]int64, len(values))
	for i, v := range values {
		twice[i] = 2 * v
	}
	return medianOf(twice)
}

// medianSpread is the standard uncertainty of the median of values that scatter
// as a Gaussian does: 1.25 standard deviations over the root of their number.
func medianSpread(values []int64) float64 {
	twice := make([]int64, len(values))
	for i, v := range values {
		twice[i] = 2 * v
	}
	return float64(1.2533 * spreadOf(twice) / math.Sqrt(float64(len(values))))
}

// lengthClasses are the edges of the table of unloads, in ms.
func lengthClasses() []int64 { return []int64{0, 20_000, settleMS, 120_000, 300_000} }

// unloadTable counts unloads by length, with what power and sump pressure did.
func (s *sheet) unloadTable() {
	sp := s.g.sp
	if sp.runOnly || !sp.hasStates || len(s.g.total.falls) == 0 {
		return
	}
	table := Table{
		Name: "unloads",
		Method: fmt.Sprintf("unloads seen from begin to end, by length; settled: power has stopped falling %d s and more after unloading; the rest are medians",
			settleMS/1000),
		Columns: []Column{{"unloads", "1"}, {"settled", "1"}, {"blew down", "1"}, {"kept pressure", "1"}, {"settled power", "kW"},
			{"blow-down time", "s"}, {"residual pressure", "kPa"}},
	}
	edges := lengthClasses()
	for i, from := range edges {
		name := "over " + inWords(from)
		to := int64(math.MaxInt64)
		if i+1 < len(edges) {
			to = edges[i+1]
			name = inWords(from) + " to " + inWords(to)
		}
		if i == 0 {
			name = "under " + inWords(to)
		}
		if row, ok := s.unloadRow(name, from, to); ok {
			table.Rows = append(table.Rows, row)
		}
	}
	s.tables = append(s.tables, table)
}

func (s *sheet) unloadRow(name string, from, to int64) (Row, bool) {
	sp := s.g.sp
	var class []unload
	var power, ms, pressure []int64
	for _, u := range s.g.total.falls {
		if u.ms < from || u.ms >= to {
			continue
		}
		class = append(class, u)
		if u.power.has && u.power.settled && u.verdict != keptPressure {
			power = append(power, u.power.last)
		}
		if u.verdict != blownDown {
			continue
		}
		if t := u.took(); t > 0 {
			ms = append(ms, t)
		}
		if u.sump.has && u.sump.settled {
			pressure = append(pressure, u.sump.last)
		}
	}
	if len(class) == 0 {
		return Row{}, false
	}
	n := tallyUnloads(class)
	row := Row{Name: name, Values: []*float64{number64(float64(n.all)), number64(float64(n.settled)), nil, nil, nil, nil, nil}}
	if from >= settleMS {
		row.Values[2], row.Values[3] = number64(float64(n.blown)), number64(float64(n.kept))
	}
	if len(power) > 0 && sp.drawsPower() {
		row.Values[4] = number64(sp.chans[sp.draw].si(medianCount(power)/16) / wattsPerKW)
	}
	if len(ms) > 0 {
		row.Values[5] = number64(medianCount(ms) / 1000)
	}
	if len(pressure) > 0 {
		row.Values[6] = number64(sp.chans[sp.sump].si(medianCount(pressure)/16) / pascalsPerKPa)
	}
	return row, true
}

// took is how long the blow-down took, by the sump pressure where that is known;
// 0: not known.
func (u *unload) took() int64 {
	if u.sump.ms > 0 {
		return u.sump.ms
	}
	return u.power.ms
}

// A blow-down counts as failing after so many unloads, and as failing now and
// then where they are a tenth of those that were judged (common practice, no
// source).
const (
	keptLeast = 3
	keptShare = 10
)

// blowDownRemarks say that the sump keeps its pressure: always, since a moment,
// or now and then.
func (s *sheet) blowDownRemarks() []Remark {
	sp := s.g.sp
	var judged []unload
	for _, u := range s.g.total.falls {
		if u.verdict != notJudged {
			judged = append(judged, u)
		}
	}
	n := tallyUnloads(judged)
	if n.kept < keptLeast || n.kept*keptShare < n.judged {
		return nil
	}
	last := 0 // how many were kept since the last that blew down
	for i := len(judged) - 1; i >= 0 && judged[i].verdict == keptPressure; i-- {
		last++
	}
	kept := keptOnly(judged)
	r := Remark{Kind: remarkBlowDown, About: "blowdown_time", Since: stamp(kept[0].wall), Evidence: s.keptEvidence(kept)}
	const look = "look at the blow-down valve, then the minimum-pressure valve; the sump may keep its pressure after a stop too: isolate the machine, vent it by hand and see its gauge at zero before anything is opened"
	switch {
	case n.blown == 0:
		r.Sentence = fmt.Sprintf("%s never blows down: in none of %s of a minute and more; %s.", sp.name, counted(n.kept, "unload", "unloads"), look)
	case last >= keptLeast && last == n.kept:
		r.Sentence = fmt.Sprintf("%s no longer blows down: it did in %s of a minute and more, and then in none of %d; %s.",
			sp.name, counted(n.blown, "unload", "unloads"), last, look)
	default:
		r.Sentence = fmt.Sprintf("%s does not always blow down: in %d of %d unloads of a minute and more it did not; %s.", sp.name, n.kept, n.judged, look)
	}
	return []Remark{r}
}

func keptOnly(judged []unload) (kept []unload) {
	for _, u := range judged {
		if u.verdict == keptPressure {
			kept = append(kept, u)
		}
	}
	return kept
}

// keptEvidence is what power and sump pressure read at the end of the unloads.
func (s *sheet) keptEvidence(kept []unload) []string {
	sp := s.g.sp
	all := []string{}
	say := func(ch int, of func(*unload) *fallen) {
		var from, to []int64
		for i := range kept {
			if f := of(&kept[i]); f.has {
				from, to = append(from, f.first), append(to, f.last)
			}
		}
		if len(from) == 0 {
			return
		}
		c := &sp.chans[ch]
		text := func(values []int64) string { return c.valueText(int64(math.Round(medianCount(values) / 16))) }
		all = append(all, fmt.Sprintf("%s read %s when it had unloaded and %s at the end (medians)", c.id, text(from), text(to)))
	}
	if sp.sump >= 0 {
		say(sp.sump, func(u *unload) *fallen { return &u.sump })
	}
	if sp.drawsPower() {
		say(sp.draw, func(u *unload) *fallen { return &u.power })
	}
	return all
}
