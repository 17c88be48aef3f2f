package analysis

import (
	"math"
	"testing"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/testdata/vectors"
)

// TestUnbalanceExamples: published examples of NEMA MG 1-14.36 (read on stored
// pages, one of them a DOE motor tip sheet's). 400/395/388 V is printed as 1.45 %
// and is 1.606 %: its largest deviation is on the low line.
func TestUnbalanceExamples(t *testing.T) {
	rows := vectors.Read(t, "voltage_unbalance.csv")
	for _, row := range rows {
		v := [3]float64{number(t, row["v_ab"]), number(t, row["v_bc"]), number(t, row["v_ca"])}
		if got, want := unbalancePct(v), number(t, row["recomputed_pct"]); math.Abs(got-want) > 5e-5 {
			t.Errorf("%v V: %.4f %%, want %.4f", v, got, want)
		}
	}
	if len(rows) < 7 {
		t.Fatalf("%d examples", len(rows))
	}
}

// TestDeratingCurve: points of NEMA MG 1 figure 14-1 as tabulated on a stored page
// (read); what is known from memory lies within 0.01 of it.
func TestDeratingCurve(t *testing.T) {
	for _, row := range vectors.Read(t, "voltage_derating.csv") {
		within := 1e-9
		if row["basis"] == "memory" {
			within = 0.01 + 1e-9
		}
		got, ok := derating(number(t, row["unbalance_pct"]))
		if want := number(t, row["derating_factor"]); !ok || math.Abs(got-want) > within {
			t.Errorf("%s %%: %g, want %g (%s)", row["unbalance_pct"], got, want, row["source"])
		}
	}
	if f, ok := derating(5.01); ok {
		t.Errorf("above 5 %%: %g, but a motor is not to be run there", f)
	}
}

// voltPlant is plant with three line voltages, which the second device reads.
func voltPlant(t testing.TB) *sitefile.Site {
	site := plant(t)
	const s = time.Second
	site.Devices[1].Map.Channels = []sitefile.MapChannel{
		mapChannel(t, "ab", scan.VoltageAB, "u16", 0.1, "V", s), mapChannel(t, "bc", scan.VoltageBC, "u16", 0.1, "V", s),
		mapChannel(t, "ca", scan.VoltageCA, "u16", 0.1, "V", s)}
	site.Devices[1].Instrument.Accuracy = map[string]sitefile.Accuracy{"voltage": {OfReading: 0.001, Text: "0.1 %"}}
	roles := site.Machines[0].Roles
	delete(roles, scan.Power)
	delete(roles, scan.Energy)
	roles[scan.VoltageAB], roles[scan.VoltageBC], roles[scan.VoltageCA] = "meter.ab", "meter.bc", "meter.ca"
	return site
}

// TestUnbalanceWhileRunning: the supply counts while the motor runs, not what it
// is at rest.
func TestUnbalanceWhileRunning(t *testing.T) {
	site := voltPlant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		running := int64(0)
		volts := [3]int64{4000, 4000, 4000}
		if sec >= 900 && sec < 2700 {
			running, volts = 1, [3]int64{4000, 3950, 3880}
		}
		tp.add("controller", sec*1000, running, running, 0, 0, 7000, 1)
		tp.add("meter", sec*1000+1, volts[0], volts[1], volts[2])
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	f := figureOf(t, rep, "phase_unbalance")
	check(t, f, 1.606, 0.003) // the last pair, into rest, counts half
	if f.Limit == nil || *f.Limit != 5 {
		t.Errorf("limit %v, want 5", f.Limit)
	}
	check(t, figureOf(t, rep, "motor_derating"), 0.97-0.02*0.106/0.5, 0.001)
	site.Machines[0].Motor.Starting = "drive"
	if f := figureOf(t, mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS), "motor_derating"); f.Value != nil {
		t.Errorf("behind a drive: %g", *f.Value)
	}
}

// TestDeratingNearItsEnd: where the unbalance may lie beyond the curve's end the
// interval still holds what the curve falls by on the way.
func TestDeratingNearItsEnd(t *testing.T) {
	s := &sheet{figures: map[string]Figure{}}
	s.derated(&sitefile.Machine{}, estimate{4.9, 0.3}, nil)
	f := s.figures["motor_derating"]
	// 0.764 at 4.9 %, 0.776 at 4.6 %: 0.012, and 0.01/√3 for the reading of the curve.
	if want := 2 * math.Hypot(0.012, 0.01/math.Sqrt(3)); f.Value == nil || math.Abs(*f.Value-0.764) > 1e-9 || math.Abs(*f.Uncertainty-want) > 1e-6 {
		t.Errorf("%s, want 0.764 ± %.4f", asJSON(t, f), want)
	}
}
