package analysis

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// airDemand sets the figures and tables of a system's demand for air.
func (s *sheet) airDemand(sys *sitefile.System, machines []*sheet) {
	b := newAirBalance(sys, s, machines)
	s.balance = b
	names := []string{"air_demand_mean", "air_demand_peak"}
	if b.absent != "" {
		s.absent(b.absent, names...)
		return
	}
	minutes := b.between(s.g.from, s.g.to)
	mean, seconds := b.mean(minutes)
	if seconds == 0 {
		s.absent(b.unseen(), names...)
		return
	}
	own, partial := s.coverage, s.partial
	s.coverage = min(1, seconds*1000/float64(s.g.to-s.g.from))
	s.partial = s.coverage < leastSeen
	s.ratioValue("air_demand_mean", "m³/min", mean.Scaled(minuteS), b.method, "observed minutes", b.inputs)
	if buckets, stepMS, ok := b.buckets(); ok {
		s.demandPeak(b, buckets, stepMS)
		s.profileTables(b, buckets, stepMS)
		s.durationTable(b, buckets, stepMS)
	} else {
		s.absent(b.resolution()+"; that is more than an hour", "air_demand_peak")
	}
	s.coverage, s.partial = own, partial
}

const minuteS = 60

// bucket is the demand in one step that was wholly observed. A year has half a million
// of them, so what makes up the uncertainty is not kept: airBalance.in has it.
type bucket struct {
	startMS int64
	v, u    float64 // m³/s, and its standard uncertainty
	ownU    float64 // the part of u that others do not share
}

// buckets cuts the window into the shortest steps that can be told, which are
// whole parts of an hour. ok is false where an hour is too short.
func (b *airBalance) buckets() (all []bucket, stepMS int64, ok bool) {
	for _, minutes := range []int64{1, 2, 5, 10, 15, 30, 60} {
		stepMS = minutes * minuteMS
		if float64(stepMS)/1000 >= b.resolutionS() {
			ok = true
			break
		}
	}
	if !ok || len(b.minutes) == 0 {
		return nil, stepMS, ok
	}
	first := b.minutes[0].startMS
	end := first + int64(len(b.minutes))*minuteMS
	for at := first + mod(-first, stepMS); at+stepMS <= end; at += stepMS {
		minutes := b.between(at, at+stepMS)
		if int64(len(minutes)) < stepMS/minuteMS {
			continue
		}
		v, _ := b.mean(minutes)
		all = append(all, bucket{at, v.V, v.U(), b.ownU(v)})
	}
	return all, stepMS, true
}

// in is the demand in the step that begins at a time, with what makes it up.
func (b *airBalance) in(at, stepMS int64) gum.Value {
	v, _ := b.mean(b.between(at, at+stepMS))
	return v
}

// highest is the highest of several noisy flows, and the excess to bring it down
// by, which is what noise alone adds to it: a maximum over many readings picks
// those that noise has raised. The ones within twice the noise of it contend for
// the place; the excess is the expected maximum of so many normal deviates (Blom's
// approximation, from memory), rectangular from none to twice that.
func highest(all []bucket, subject string) (excess gum.Value, top *bucket) {
	top = &all[0]
	for i := range all {
		if all[i].v > top.v {
			top = &all[i]
		}
	}
	contend := 0
	for i := range all {
		if all[i].v >= top.v-float64(coverageFactor*quad(all[i].ownU, top.ownU)) {
			contend++
		}
	}
	by := float64(top.ownU * expectedMax(contend))
	return gum.New(by, rectangular(by), scatterInput("a highest step", subject)), top
}

// expectedMax is the expected maximum of n standard normal deviates.
func expectedMax(n int) float64 {
	p := (float64(n) - 0.375) / (float64(n) + 0.25)
	return math.Sqrt2 * math.Erfinv(2*p-1)
}

func stepName(stepMS int64) string {
	if stepMS == minuteMS {
		return "1 minute"
	}
	return fmt.Sprintf("%d minutes", stepMS/minuteMS)
}

// demandPeak sets the highest demand of a step.
func (s *sheet) demandPeak(b *airBalance, all []bucket, stepMS int64) {
	const name = "air_demand_peak"
	if len(all) == 0 {
		s.absent("no step of "+stepName(stepMS)+" was wholly observed", name)
		return
	}
	excess, top := highest(all, b.sys.Name)
	e := b.in(top.startMS, stepMS).Minus(excess)
	method := fmt.Sprintf("highest of the steps of %s, at %s; brought down by what noise adds to the highest of many; %s; demand: %s",
		stepName(stepMS), millis(top.startMS).In(s.site.Location).Format("Mon 2006-01-02 15:04"), b.resolution(), b.method)
	s.addValue(name, "m³/min", e.Scaled(minuteS), method, b.inputs)
	s.moment(name, top.startMS, top.startMS+stepMS)
}

// weekdays are the columns of a profile.
func weekdays() []time.Weekday {
	return []time.Weekday{time.Monday, time.Tuesday, time.Wednesday, time.Thursday, time.Friday, time.Saturday, time.Sunday}
}

// hourCell is an hour of the local clock on one day of the week. Where the clocks
// change it has none or two hours of that day.
type hourCell struct {
	minutes []int // that can be balanced
	all     int
	top     float64 // of the steps that begin in it
	hasTop  bool
}

func (b *airBalance) hourCells(loc *time.Location, buckets []bucket) (cells [7][24]hourCell) {
	clock := localClock{loc: loc}
	cell := func(ms int64) *hourCell {
		day, minute := clock.dayAndMinute(ms)
		return &cells[mod(day+3, 7)][minute/60] // 1970-01-01 was a Thursday
	}
	for i := range b.minutes {
		c := cell(b.minutes[i].startMS)
		c.all++
		if b.whole(i) {
			c.minutes = append(c.minutes, i)
		}
	}
	for i := range buckets {
		c := cell(buckets[i].startMS)
		if v := buckets[i].v; !c.hasTop || v > c.top {
			c.top, c.hasTop = v, true
		}
	}
	return cells
}

// Tables of the demand by the hour of the week.
const (
	demandProfile         = "air_demand_profile"
	demandProfileCoverage = "air_demand_profile_coverage"
)

// profileTables lay the demand out by hour of the local day and day of the week.
func (s *sheet) profileTables(b *airBalance, buckets []bucket, stepMS int64) {
	cells := b.hourCells(s.site.Location, buckets)
	table := func(name, unit, method string, value func(*hourCell) *float64) {
		t := Table{Name: name, Method: method}
		for _, d := range weekdays() {
			t.Columns = append(t.Columns, Column{d.String()[:3], unit})
		}
		for hour := range 24 {
			row := Row{Name: fmt.Sprintf("%02d:00", hour)}
			for day := range cells {
				row.Values = append(row.Values, value(&cells[day][hour]))
			}
			t.Rows = append(t.Rows, row)
		}
		s.tables = append(s.tables, t)
	}
	table(demandProfile, "m³/min", "mean demand by the hour of the local day and the day of the week, over observed minutes; minutes that were not observed are left out, not counted as zero; "+b.method,
		func(c *hourCell) *float64 {
			v, seconds := b.mean(c.minutes)
			if seconds == 0 {
				return nil
			}
			return number64(float64(v.V * minuteS))
		})
	table("air_demand_profile_max", "m³/min", "highest step of "+stepName(stepMS)+" in the same hours; noise raises a maximum, by up to twice what one step is unsure of by itself",
		func(c *hourCell) *float64 {
			if !c.hasTop {
				return nil
			}
			return number64(float64(c.top * minuteS))
		})
	table(demandProfileCoverage, "1", "observed share of the same hours in this window",
		func(c *hourCell) *float64 {
			if c.all == 0 {
				return nil
			}
			return number64(float64(len(c.minutes)) / float64(c.all))
		})
}

// durationShares are the shares of the observed time that a duration curve is
// read at.
func durationShares() []float64 {
	return []float64{0.001, 0.005, 0.01, 0.02, 0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 0.95, 0.98, 0.99}
}

// durationTable says for what share of the observed time the demand was above
// what.
func (s *sheet) durationTable(b *airBalance, buckets []bucket, stepMS int64) {
	if len(buckets) == 0 {
		return
	}
	order := descending(buckets)
	t := Table{Name: "air_demand_duration", Columns: []Column{{"demand", "m³/min"}, {"uncertainty", "m³/min"}, {"time above", "s"}},
		Method: "demand that was exceeded for a share of the observed time, in steps of " + stepName(stepMS) +
			"; the noise of single steps widens both ends by up to what one is unsure of by itself; " + b.resolution()}
	for _, share := range durationShares() {
		i := int(share * float64(len(order)))
		if i == 0 && share < 0.01 {
			continue // fewer steps than it takes to tell
		}
		o := &order[i]
		t.Rows = append(t.Rows, Row{Name: fmt.Sprintf("%g %%", 100*share), Values: []*float64{number64(float64(o.v * minuteS)),
			number64(float64(coverageFactor*usualU(order, i)) * minuteS), number64(float64(int64(i)*stepMS) / 1000)}})
	}
	s.tables = append(s.tables, t)
}

// descending are the steps, the highest demand first.
func descending(buckets []bucket) []bucket {
	order := slices.Clone(buckets)
	slices.SortStableFunc(order, func(x, y bucket) int { return cmp.Compare(y.v, x.v) })
	return order
}

// usualU is the root mean square of the uncertainties of the steps that lie a
// fiftieth of all to both sides of place i: those of single steps differ by
// whether a load lies in them, which a curve's place does not.
func usualU(order []bucket, i int) float64 {
	around := max(1, len(order)/50)
	near := order[max(0, i-around):min(len(order), i+around+1)]
	var squares float64
	for k := range near {
		u := near[k].u
		squares += float64(u * u)
	}
	return math.Sqrt(squares / float64(len(near)))
}

// flowPeak sets the highest minute of the subject's own flow meter.
func (s *sheet) flowPeak() {
	const name = "flow_peak"
	ch := s.meteredFlow()
	if ch < 0 {
		s.absent("no flow meter: only a meter shows single minutes; the air_demand_peak of the system is that of the plant", name)
		return
	}
	c := &s.g.sp.chans[ch]
	var top *minuteMark
	for i := range s.g.total.minutes {
		m := &s.g.total.minutes[i]
		if m.flow.ms < leastMinuteMS || m.flow.ms > mostMinuteMS || m.at < s.g.from || m.at+minuteMS > s.g.to {
			continue
		}
		if top == nil || c.mean(m.flow).v > c.mean(top.flow).v {
			top = m
		}
	}
	if top == nil {
		s.absent("no whole minute of the flow meter was observed", name)
		return
	}
	method := "highest mean of a minute by the flow meter, at " + millis(top.at).In(s.site.Location).Format("Mon 2006-01-02 15:04")
	if c.unit.Basis != quantity.FreeAir {
		method += ", brought from " + c.unit.Symbol + " to free air at the inlet"
	}
	method += s.meterKind(c)
	flow, inputs := s.metered(c, c.mean(top.flow).v), append([]string{c.input()}, s.basisInputs(c)...)
	s.addValue(name, "m³/min", flow.Scaled(minuteS), method, inputs)
	s.moment(name, top.at, top.at+minuteMS)
}
