package analysis

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"loadscribe/agent/gum"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// vessel is a balance of synthetic minutes: one machine, one store, nothing
// uncertain but what a test adds.
func vessel(flowM3S, volumeM3, inletPa float64, minutes int) *airBalance {
	b := &airBalance{sys: &sitefile.System{Name: "main"}, machines: []string{"comp1"}, flow: []gum.Value{gum.Exact(flowM3S)},
		volume: gum.Exact(volumeM3), inletPa: inletPa, dryPa: gum.Exact(inletPa), full: flowM3S, names: airNames{reading: "reading"}, delay: []gum.Value{{}}, delayU: []float64{0}, edgeU: []float64{0}}
	for i := range minutes {
		b.minutes = append(b.minutes, airMinute{startMS: int64(i) * minuteMS, seenMS: minuteMS, hasPressure: true,
			fullS: []float64{0}, partS: []float64{0}, loads: []float64{0}, edges: []int32{0}})
	}
	return b
}

func upTo(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// TestBalanceDrawsDownReceiver holds the balance to the sandblasting example of
// an open textbook that quotes the compressed-air handbook (read): a receiver of
// the printed size feeds the printed flow by itself for the printed time.
func TestBalanceDrawsDownReceiver(t *testing.T) {
	f, err := os.Open("../../testdata/vectors/storage.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	const psi, cubicFoot = 6894.757293168361, 0.3048 * 0.3048 * 0.3048
	for _, row := range rows[1:] {
		at := map[string]float64{}
		for i, name := range rows[0] {
			at[name], _ = strconv.ParseFloat(row[i], 64)
		}
		minutes := int(at["T_min"])
		b := vessel(0, at["printed_ft3"]*cubicFoot, at["Pa_psia"]*psi, minutes)
		fall := (at["P1_psig"] - at["P2_psig"]) * psi / float64(minutes)
		for i := range b.minutes {
			b.minutes[i].startPa = at["P1_psig"]*psi - float64(i)*fall
			b.minutes[i].endPa = b.minutes[i].startPa - fall
		}
		got, seconds := b.mean(upTo(minutes))
		if cfm := got.V * 60 / cubicFoot; math.Abs(cfm/at["C_cfm"]-1) > 0.001 || seconds != 60*at["T_min"] {
			t.Errorf("%s: drawn %.2f cfm over %.0f s, the handbook has %g cfm over %g min", row[0], cfm, seconds, at["C_cfm"], at["T_min"])
		}
	}
}

// TestBalanceParts: what minutes share stays in their mean, what each has of its
// own shrinks, and neighbouring minutes share the reading between them.
func TestBalanceParts(t *testing.T) {
	const flow, volume, inlet = 0.1, 1.0, 100e3
	b := vessel(flow, volume, inlet, 100)
	b.flow[0] = gum.New(flow, 0.05*flow, "flow")
	b.pressureU, b.edgeU[0], b.delayU[0] = 500, 0.5, 1
	b.delay[0] = gum.New(3, 1, delayInput("comp1"))
	for i := range b.minutes {
		m := &b.minutes[i]
		m.fullS[0], m.loads[0], m.edges[0] = 30, 1, 2
		m.startPa, m.endPa = 700e3, 700e3
	}
	one, _ := b.mean([]int{7})
	all, seconds := b.mean(upTo(100))
	var apart []int
	for i := 0; i < 100; i += 2 {
		apart = append(apart, i)
	}
	loose, _ := b.mean(apart)
	if seconds != 6000 || math.Abs(all.V-flow/2) > 1e-12 {
		t.Fatalf("mean %g over %g s, want %g over 6000 s", all.V, seconds, flow/2)
	}
	const reading = "reading"
	for _, tt := range []struct {
		name      string
		got, want float64
	}{
		{"flow, one minute", one.Part("flow"), 0.05 * flow / 2},
		{"flow, a hundred", all.Part("flow"), 0.05 * flow / 2},
		{"pressure, one minute", one.Part(reading), -500 * math.Sqrt2 * volume / inlet / 60},
		{"pressure, a hundred neighbours", all.Part(reading), -500 * math.Sqrt2 * volume / inlet / 6000},
		{"pressure, fifty apart", loose.Part(reading), -500 * math.Sqrt(100) * volume / inlet / 3000},
		{"edges, a hundred", all.Part(momentsInput("comp1")), math.Sqrt(200) * 0.5 * flow / 6000},
		{"delay, a hundred", all.Part(delayInput("comp1")), -100 * flow / 6000},
	} {
		if math.Abs(tt.got-tt.want) > 1e-9*math.Abs(tt.want) {
			t.Errorf("%s: %g, want %g", tt.name, tt.got, tt.want)
		}
	}
}

// TestBalanceUnobserved: a minute that was not seen, or whose pressure was not,
// is no demand of nought.
func TestBalanceUnobserved(t *testing.T) {
	b := vessel(0.1, 1, 100e3, 4)
	for i := range b.minutes {
		b.minutes[i].fullS[0] = 60
	}
	b.minutes[1].seenMS, b.minutes[1].fullS[0] = 20_000, 0
	b.minutes[2].hasPressure, b.minutes[2].fullS[0] = false, 0
	if got, seconds := b.mean(upTo(4)); seconds != 120 || math.Abs(got.V-0.1) > 1e-12 {
		t.Errorf("mean %g over %g s, want 0.1 over 120", got.V, seconds)
	}
	if _, seconds := b.mean([]int{1, 2}); seconds != 0 {
		t.Errorf("two minutes of which nothing is known count for %g s", seconds)
	}
	b.absent = "no rated flow"
	if _, seconds := b.mean(upTo(4)); seconds != 0 {
		t.Errorf("a balance that is absent counts %g s", seconds)
	}
}

// TestBalanceResolution: half a minute's worth of noise is not resolved in less.
func TestBalanceResolution(t *testing.T) {
	b := vessel(0.1, 2, 100e3, 1)
	b.pressureU = 1000
	// 2 × 1000 Pa × √2 × 2 m³ / 100 kPa over a tenth of 0.1 m³/s.
	if got, want := b.resolutionS(), 2*1000*math.Sqrt2*2/100e3/0.01; math.Abs(got-want) > 1e-9 {
		t.Errorf("resolution %g s, want %g", got, want)
	}
	b.pressureU, b.scanS = 0, 5
	if got := b.resolutionS(); got != 15 {
		t.Errorf("a reading each 5 s resolves %g s, want 15", got)
	}
}

// TestBalanceByMeterWithoutLoads: where a meter counts the air, a machine of which
// only running is seen, or nothing, hinders no balance; nor is its running time
// taken for loaded time, or a time in which it may deliver for a bleed-down.
func TestBalanceByMeterWithoutLoads(t *testing.T) {
	for _, lacks := range [][]scan.Role{{scan.Loaded, scan.Power}, {scan.Loaded, scan.Power, scan.MotorRunning}} {
		site := withFlow(t, "m³/min", sitefile.Vortex, "wet receiver")
		for _, role := range lacks {
			delete(site.Machines[0].Roles, role)
		}
		src := withMeter(t, site)
		b, err := demandBalance(src, site, &site.Systems[0], monday, monday+hourMS, monday+hourMS)
		if err != nil || b.absent != "" {
			t.Fatalf("without %v: %v, absent: %s", lacks, err, b.absent)
		}
		running := b.minutes[15] // from 610 s on it is loaded
		if !running.delivering || running.fullS[0] != 0 || !b.whole(15) || running.meteredM3 == 0 {
			t.Errorf("without %v: the minute at 15:00 is %+v; want it whole, metered, perhaps delivering, with no loaded time", lacks, running)
		}
	}
}

// TestLongWindows: a window of sixty years round a record of hours has the record's
// demand, and minutes for no more than that; a record that is longer than minutes are
// balanced for says so.
func TestLongWindows(t *testing.T) {
	p := textbook(t, 0.43)
	site := plant(t)
	site.BarometerPa = p.inletPa
	m := p.tape(t, 6)
	near := systemFigure(t, mustCompute(t, m, site, monday, monday+6*hourMS), "air_demand_mean")
	far := systemFigure(t, mustCompute(t, m, site, 0, monday+1000*dayMS), "air_demand_mean")
	if near.Value == nil || far.Value == nil || *near.Value != *far.Value {
		t.Errorf("demand %v (%s) of the record's hours, %v (%s) of sixty years round it", near.Value, near.Absent, far.Value, far.Absent)
	}
	b := &airBalance{}
	ends := &gathered{from: 0, to: 500 * dayMS, cells: []cellSum{{from: dayMS, to: dayMS + cellMS}, {from: 450 * dayMS, to: 450*dayMS + cellMS}}}
	if why := b.lay(ends, nil); !strings.Contains(why, "longer than 400 days") || len(b.minutes) != 0 {
		t.Errorf("a record of 449 days: %q and %d minutes", why, len(b.minutes))
	}
}
