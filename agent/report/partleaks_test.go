package report

import (
	"strings"
	"testing"

	"loadscribe/agent/analysis"
)

// TestNightsChartClaimsNoMore: nights differ at a constant leak (docs/uncertainty.md), so
// that the picture must not call each rise a leak that grows.
func TestNightsChartClaimsNoMore(t *testing.T) {
	night := func(name string, flow float64) analysis.Row {
		return analysis.Row{Name: name, Values: []*float64{fig(3600), fig(flow), fig(650)}}
	}
	table := &analysis.Table{Name: "quiet_nights", Columns: []analysis.Column{{Name: "quiet", Unit: "s"}, {Name: "flow", Unit: "m³/min"}, {Name: "mean pressure", Unit: "kPa"}},
		Rows: []analysis.Row{night("Mon 19 Oct 18:30 to Tue 20 Oct 08:00", 0.158), night("Tue 20 Oct 18:30 to Wed 21 Oct 08:00", 0.185), night("Wed 21 Oct 18:30 to Thu 22 Oct 08:00", 0.184)}}
	c := (&builder{data: shop(nil), doc: &Document{}}).nightsChart(subject{kind: "system", name: "main"}, table)
	if c == nil || !strings.Contains(c.Summary, "known no better than the quiet demand") || strings.Contains(c.Summary, ": a rise from night to night") {
		t.Errorf("the picture of nights says %+v", c)
	}
}
