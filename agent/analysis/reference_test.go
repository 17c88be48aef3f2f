package analysis

import (
	"math"
	"strconv"
	"testing"
	"time"
	_ "time/tzdata" // local days of 23 and 25 hours without the machine's own tables

	"loadscribe/agent/air"
	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/testdata/vectors"
)

func number(t testing.TB, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestEnergyCostExample runs the annual cost example of the DOE Compressed Air
// Tip Sheet 1 / Sourcebook (formula and inputs read, results from memory) as a
// thousandth of a year: 6.8 h, of which 85 % loaded, at $0.05 per kWh.
func TestEnergyCostExample(t *testing.T) {
	site := plant(t)
	site.Devices[1].Map.Channels[0].Scale = 0.01
	site.Tariff.Energy[0].PerKWh = 0.05
	delete(site.Machines[0].Roles, scan.Energy)
	var kW [2]float64
	var printed, kWh float64
	for _, row := range vectors.Read(t, "cost_example.csv") {
		at := map[string]int{"loaded": 0, "unloaded": 1}
		if i, ok := at[row["case"]]; ok {
			kW[i] = number(t, row["bhp"]) * 0.746 * number(t, row["full_load_bhp_fraction"]) / number(t, row["motor_efficiency"])
		}
		if row["case"] == "total" {
			printed, kWh = number(t, row["printed_usd"]), number(t, row["recomputed_kwh"])
		}
	}
	tp := newTape(site, monday)
	const loadedS, allS = 5.78 * 3600, 6.8 * 3600
	for sec := int64(0); sec <= allS; sec += 3 {
		loaded, power := int64(1), kW[0]
		if sec >= loadedS {
			loaded, power = 0, kW[1]
		}
		tp.add("controller", sec*1000, 1, loaded, 0, 0, 6900, 1)
		tp.add("meter", sec*1000, int64(math.Round(power*100)), 0)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+allS*1000+1)
	check(t, figureOf(t, rep, "energy_cost"), printed/1000, 0.01)
	check(t, figureOf(t, rep, "energy"), kWh/1000, 0.2)
	// One step of 3 s lies between loaded and unloaded.
	check(t, figureOf(t, rep, "duty_cycle"), 0.85, 3.0/allS)
}

// TestFreeAir: conversions of reference conditions, computed from the ideal gas
// law (nm3_to_iso) and from published dry densities (trade-association SCFM:
// read on a stored page; ISO 1217 and ISO 8778: from memory).
func TestFreeAir(t *testing.T) {
	want := map[string]float64{}
	for _, row := range vectors.Read(t, "flow_power.csv") {
		if row["case"] == "nm3_to_iso" {
			want["normal"] = number(t, row["expected"])
		}
	}
	var iso, scfm float64
	for _, row := range vectors.Read(t, "reference_conditions.csv") {
		switch row["name"] {
		case "ISO 1217 / FAD":
			iso = number(t, row["dry_density_kg_m3"])
		case "SCFM trade association":
			scfm = number(t, row["dry_density_kg_m3"])
		}
	}
	for _, c := range []struct {
		name            string
		basis           quantity.FlowBasis
		want, tolerance float64
	}{
		{"normal", quantity.Normal, want["normal"], 1e-8},
		{"standard", quantity.Standard, scfm / iso, 1e-5},
		{"anr: 65 % of 2338.8 Pa is water", quantity.ANR, 1 - 0.65*0.023388, 1e-5},
		{"free air", quantity.FreeAir, 1, 0},
	} {
		in := inletAir{pressure: gum.Exact(100e3), temperature: gum.Exact(293.15)}
		if got := in.toInlet(c.basis, air.ScfmTrade()); math.Abs(got.V-c.want) > c.tolerance || got.U() != 0 {
			t.Errorf("%s: 1 m³ is %.9f ± %g m³ of free air, want %.9f", c.name, got.V, got.U(), c.want)
		}
	}
	// 100 scfm are 131.17 acfm at 12.2 psia, 100 °F and 50 % (textbook formula,
	// computed). The slopes of the textbook's formula there, by hand: Ta/(Pb - RH·Pv)
	// by K is 1/310.93 and the rise of the vapour (5.4 % a K) times 0.0405; by Pa
	// 1/(84.12 - 3.277) kPa; by humidity 6553/80840.
	hot := inletAir{pressure: gum.New(84_116, 100, "barometer"), temperature: gum.New(310.928, 1, "thermometer"), humidity: gum.New(0.5, 0.1, "humidity")}
	got := hot.toInlet(quantity.Standard, air.ScfmTrade())
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"acfm", 100 * got.V, 131.17}, {"barometer", 1e4 * got.Part("barometer") / got.V, -1e4 * 100 / 80_840},
		{"thermometer", 1e4 * got.Part("thermometer") / got.V, 1e4 * (1/310.93 + 0.054*0.0405)},
		{"humidity", 1e4 * got.Part("humidity") / got.V, 1e4 * 0.1 * 6553 / 80_840}} {
		if math.Abs(c.got/c.want-1) > 0.01 {
			t.Errorf("100 scfm, hot and high: %s %.4f, want %.4f", c.name, c.got, c.want)
		}
	}
}

// TestGUM: the end-gauge example H.1 of JCGM 100:2008 (inputs and 32 nm read in
// a package manual that quotes it), first order; and the specific-power budget
// computed from the same rules.
func TestGUM(t *testing.T) {
	const ls, theta = 50_000_623.0, -0.1
	got := quad(25, 9.7, ls*theta*0.58e-6, ls*11.5e-6*0.029)
	for _, row := range vectors.Read(t, "uncertainty_gum.csv") {
		if row["quantity"] != "u_c first order" {
			continue
		}
		if want := number(t, row["printed"]); math.Abs(got-want) > number(t, row["tolerance"]) {
			t.Errorf("u_c = %.4f nm, printed %g", got, want)
		}
		if want := number(t, row["recomputed"]); math.Abs(got-want) > 1e-4 {
			t.Errorf("u_c = %.4f nm, recomputed %g", got, want)
		}
	}
	// Meter and transformers of class 0.5 (limits), flow ±2 % (k = 2).
	power := estimate{40, 40 * quad(rectangular(0.005), rectangular(0.005))}
	q := power.over(estimate{6, 6 * 0.01})
	if rel := 100 * q.u / q.v; math.Abs(rel-1.080123) > 1e-6 {
		t.Errorf("specific power: u = %.6f %%, want 1.080123 %%", rel)
	}
}

// TestAirInterval: wherever the true flow lies from -12 to +5 % off the
// nameplate and the delay from 0 to 6 s, the interval holds the truth.
func TestAirInterval(t *testing.T) {
	site := plant(t)
	rep := mustCompute(t, fold(site, handWorked(t).scans), site, monday, monday+hourMS)
	f := figureOf(t, rep, "air_delivered")
	for _, off := range []float64{-0.12, -0.08, -0.035, 0, 0.05} {
		for _, delayS := range []float64{0, 3, 6} {
			truth := 6.0 / 60 * (1 + off) * (1200 - 2*delayS)
			if d := math.Abs(truth - *f.Value); d > *f.Uncertainty {
				t.Errorf("flow %+.1f %%, delay %g s: %.2f m³ is outside %.2f ± %.2f", 100*off, delayS, truth, *f.Value, *f.Uncertainty)
			}
		}
	}
	if half := *f.Uncertainty / *f.Value; half > 0.11 {
		t.Errorf("air is ± %.1f %%: too wide to be of use", 100*half)
	}
}

// TestLocalDays: off-shift energy on the days when Chicago's clocks change
// (second Sunday of March, first of November: 23 and 25 hours).
func TestLocalDays(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	every := [7]bool{true, true, true, true, true, true, true}
	for _, c := range []struct {
		name  string
		day   time.Time
		hours float64
	}{
		{"spring", time.Date(2024, 3, 10, 0, 0, 0, 0, chicago), 23},
		{"autumn", time.Date(2024, 11, 3, 0, 0, 0, 0, chicago), 25},
		{"plain", time.Date(2024, 6, 2, 0, 0, 0, 0, chicago), 24},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := plant(t)
			site.Location = chicago
			site.Shifts = []sitefile.WeekWindow{{Days: every, FromMinute: 7 * 60, UntilMinute: 16 * 60}}
			site.Tariff.Energy = []sitefile.EnergyPrice{{PerKWh: 0.1}, {PerKWh: 0.2, Period: sitefile.Period{When: site.Shifts}}}
			from, to := c.day.UnixMilli(), c.day.AddDate(0, 0, 1).UnixMilli()
			tp := newTape(site, from)
			for ms := int64(0); ms <= to-from; ms += 3000 {
				tp.add("controller", ms, 1, 1, 0, 0, 7000, 1)
				tp.add("meter", ms, 360, ms/10_000%65_536)
			}
			rep := mustCompute(t, fold(site, tp.scans), site, from, to)
			check(t, figureOf(t, rep, "energy_off_shift"), 36*(c.hours-9), 0.11) // a counter of 0.1 kWh
			check(t, figureOf(t, rep, "energy_cost"), 36*(0.1*(c.hours-9)+0.2*9), 0.02)
			check(t, figureOf(t, rep, "peak_demand"), 36, 1e-9)
		})
	}
}

// TestShiftInsideACell: a shift that begins at seven past is cut there from
// raw. Common practice, no source: shifts are not bound to quarter hours.
func TestShiftInsideACell(t *testing.T) {
	site := plant(t)
	site.Shifts = []sitefile.WeekWindow{{Days: [7]bool{1: true}, FromMinute: 7, UntilMinute: 22}}
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, 360, sec/10)
	}
	rep := mustCompute(t, fold(site, tp.scans), site, monday, monday+hourMS)
	check(t, figureOf(t, rep, "energy_off_shift"), 27, 0.011)
}

// TestPeakDemand: windows follow the clock, cut ones do not count.
func TestPeakDemand(t *testing.T) {
	site := plant(t)
	tp := newTape(site, monday)
	for sec := int64(0); sec <= 3600; sec++ {
		power := int64(100)
		if sec >= 900 && sec < 1800 {
			power = 300
		}
		tp.add("controller", sec*1000, 1, 1, 0, 0, 7000, 1)
		tp.add("meter", sec*1000, power, 0)
	}
	m := fold(site, tp.scans)
	check(t, figureOf(t, mustCompute(t, m, site, monday, monday+hourMS), "peak_demand"), 30, 0.02)
	site.Tariff.Demand = []sitefile.DemandCharge{{Window: 30 * time.Minute}}
	check(t, figureOf(t, mustCompute(t, m, site, monday, monday+hourMS), "peak_demand"), 20, 0.02)
	if f := figureOf(t, mustCompute(t, m, site, monday+1, monday+1_799_999), "peak_demand"); f.Value != nil {
		t.Errorf("peak_demand = %g from a window with no whole half hour", *f.Value)
	}
}
