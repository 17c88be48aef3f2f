package analysis

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/baseline"
	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// leastTrendNights is how many nights a trend needs: with fewer Student's t at 95 %
// is so large that only a straight line would be told from chance.
const leastTrendNights = 4

// leakMove is how what flows in quiet hours moves from night to night, brought to
// one pressure. It is told where a line through the nights rises or falls more
// surely than by chance, and by more than the interval of the leak over all.
type leakMove struct {
	first, last float64   // m³/s, of the first and of the last night
	perDay      float64   // m³/s a day, of the line
	nights      int       // the last quarter of them, that today's leaks are told by
	more        gum.Value // what flows in these more than in all
}

// moved is nil where the nights show no trend.
func (r *quietResult) moved(outsidePa float64) *leakMove {
	nights := r.hours.nights
	if len(nights) < leastTrendNights {
		return nil
	}
	levels := make([]gum.Value, len(nights))
	points := make([]baseline.Point, len(nights))
	for i := range nights {
		n := &nights[i]
		levels[i] = r.balance.levelIn(n.minutes, outsidePa).Scaled(r.pa)
		points[i] = baseline.Point{At: int64(i), Y: levels[i].V, X: []float64{float64(n.fromMS+n.toMS) / 2 / dayMS}}
	}
	fit, err := baseline.Regress(points)
	if err != nil {
		return nil
	}
	end := len(nights) - 1
	m := &leakMove{first: levels[0].V, last: levels[end].V, perDay: fit.Coefficients[1], nights: (len(nights) + 3) / 4}
	over := math.Abs(float64(m.perDay * (points[end].X[0] - points[0].X[0])))
	if math.Abs(fit.T[1]) < baseline.Quantile(stated, float64(len(nights)-2)) || over <= float64(coverageFactor*r.leak.U()) {
		return nil
	}
	var today []int
	for i := len(nights) - m.nights; i < len(nights); i++ {
		today = append(today, nights[i].minutes...)
	}
	m.more = r.balance.levelIn(today, outsidePa).Minus(r.balance.levelIn(r.hours.minutes(), outsidePa)).Scaled(r.pa)
	return m
}

// words says which way, for the line of the figure.
func (m *leakMove) words(site *sitefile.Site) string {
	way := "growing"
	if m.perDay < 0 {
		way = "falling"
	}
	symbol, factor, _ := site.Units.Display("m³/min")
	three := func(flow float64) string {
		return strings.TrimSuffix(fmt.Sprintf("%#.3g", float64(flow*perMinute)*factor), ".")
	}
	return fmt.Sprintf("%s: %s to %s %s from the first quiet night to the last", way, three(m.first), three(m.last), symbol)
}

// today is the leak of the last nights, and how a method says so.
func (m *leakMove) today(site *sitefile.Site, leak gum.Value) (gum.Value, string) {
	now := leak.Plus(m.more)
	now.V = max(0, now.V)
	way := "more"
	if m.perDay < 0 {
		way = "less"
	}
	return now, fmt.Sprintf("the leak of the last %s (%s), for each day it is %s %s",
		nights(m.nights), shownIn(site, now.V*perMinute, "m³/min"), shownIn(site, math.Abs(m.perDay)*perMinute, "m³/min"), way)
}
