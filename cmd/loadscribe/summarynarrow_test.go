package main

import (
	"strings"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
)

func TestNarrowingInWords(t *testing.T) {
	figure := func(name string, value, half float64, unit, sentence string, then float64) analysis.Figure {
		f := analysis.Figure{Name: name, Value: &value, Unit: unit, Uncertainty: &half}
		if sentence != "" {
			f.Narrower = &analysis.Narrower{Sentence: sentence, Uncertainty: then}
		}
		return f
	}
	const flow = "rests on the flow on the nameplate; a pump-up"
	var out strings.Builder
	printNarrower(&out, []analysis.Figure{
		figure("air_delivered", 2000, 204, "m³", flow, 80),
		figure("energy", 100, 2, "kWh", "", 0),
		figure("dryer_drop", 10, 12.63, "kPa", "rests on another", 0.5),
		figure("leak_flow", 0.1, 0.4, "m³/min", "rests on a gauge", 0.2),
		figure("flow_mean", 2, 0.204, "m³/min", flow, 0.08),
	}, quantity.SI)
	const want = `  what would narrow the figures known to no better than 5 %:
    rests on the flow on the nameplate; a pump-up
      air_delivered, flow_mean: ± 10 %, then ± 4 %
    rests on another
      dryer_drop: ± 126 %, then ± 5 %
    rests on a gauge
      leak_flow: ± 0.40, then ± 0.20 m³/min
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
	out.Reset()
	printNarrower(&out, []analysis.Figure{figure("energy", 100, 2, "kWh", "", 0), {Name: "leak_flow", Absent: "no"}}, quantity.SI)
	if out.Len() > 0 {
		t.Errorf("nothing is wide: got %q", out.String())
	}
}
