package analysis

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// costed puts leak_cost of a leak at 800 kPa absolute on a new sheet.
func costed(t *testing.T, b *airBalance, site *sitefile.Site, leak gum.Value, machine *sheet) Figure {
	t.Helper()
	s := &sheet{g: newGathered(&spec{name: "main", pressure: -1}, 0, 0, nil), site: site, machines: []*sheet{machine}, figures: map[string]Figure{}}
	r := &quietResult{balance: b, hours: b.quietHours(site), pa: 800e3, leak: leak}
	s.leakCost(r, leak)
	return s.figures["leak_cost"]
}

func withPrices(site *sitefile.Site, prices ...sitefile.EnergyPrice) *sitefile.Site {
	site.Tariff = sitefile.Tariff{Currency: "USD", Energy: prices, BillingDay: 1}
	return site
}

func idlingMachine(loadedKW, idleKW float64) *sheet {
	m := &sheet{g: newGathered(&spec{name: "comp1", control: sitefile.LoadUnload}, 0, 0, nil), figures: map[string]Figure{},
		values: map[string]gum.Value{"power_loaded": gum.Exact(loadedKW), "power_unloaded_mean": gum.Exact(idleKW)}}
	return m
}

// TestLeakCostPublished: the Navy's example (MO-206, appendix B, read): 47 scfm at
// 0.50 USD for 1000 ft³, 8760 h, is 12 351.60 USD. Our year has 365.25 days. The
// price of air here is that of the marginal energy: 30 kW loaded less 10 kW idling
// over 0.1 m³/s is 1/18 kWh/m³.
func TestLeakCostPublished(t *testing.T) {
	perM3 := 0.50 / (1000 * ft3M3)
	site := withPrices(shiftSite(), sitefile.EnergyPrice{PerKWh: perM3 * 18})
	b := worked(7, shopDemand)
	leak := gum.New(47*ft3M3/60, 4.7*ft3M3/60, "volume")
	f := costed(t, b, site, leak, idlingMachine(30, 10))
	if f.Value == nil {
		t.Fatal(f.Absent)
	}
	want := leakRows(t)["navy_regression"] / 46.77 * 12_351.60 * 365.25 / 365
	if math.Abs(*f.Value/want-1) > 1e-6 {
		t.Errorf("%.2f USD a year, want %.2f", *f.Value, want)
	}
	if half := *f.Uncertainty / *f.Value; math.Abs(half-0.2) > 1e-9 {
		t.Errorf("half width %.4f of it, want 0.2: that of the leak", half)
	}
}

// TestLeakCostByHour: air that leaks while nothing delivers is paid for when a
// machine makes it up. Worked by hand: 0.008 m³/s, 1/18 kWh/m³. The machine delivers
// from 07:00 to 16:00 on workdays alone; what leaks from 16:00 on is made up at 07:00.
// A workday's own nine hours are 259.2 m³, 14.4 kWh: five hours at 0.10, four at
// 0.20, 8.0 + 12.8 cents a 1.6 kWh hour. The fifteen hours before it are 24 kWh at
// 0.10, on Mondays 63 h less what the window does not have.
func TestLeakCostByHour(t *testing.T) {
	site := withPrices(shiftSite("Mon-Fri 07:00-16:00"), sitefile.EnergyPrice{PerKWh: 0.10},
		sitefile.EnergyPrice{PerKWh: 0.20, Period: sitefile.Period{When: []sitefile.WeekWindow{{Days: [7]bool{true, true, true, true, true, true, true}, FromMinute: 12 * 60, UntilMinute: 16 * 60}}}})
	b := worked(14, func(at time.Time) float64 {
		if d := at.Weekday(); d == time.Saturday || d == time.Sunday || at.Hour() < 7 || at.Hour() >= 16 {
			return 0
		}
		return 0.05
	})
	leak := gum.Exact(0.008)
	m := idlingMachine(30, 10)
	s := &sheet{g: newGathered(&spec{name: "main", pressure: -1}, 0, 0, nil), site: site, machines: []*sheet{m}, figures: map[string]Figure{}}
	s.leakCost(&quietResult{balance: b, hours: &quietHours{}, pa: 800e3, leak: leak}, leak)
	f := s.figures["leak_cost"]
	if f.Value == nil {
		t.Fatal(f.Absent)
	}
	const hourKWh = 0.008 * 3600 / 18
	own := hourKWh * (5*0.10 + 4*0.20)
	night := hourKWh * 15 * 0.10
	// Two weeks: the first Monday has 7 h before it, eight nights of 15 h, one weekend
	// of 63 h; ten workdays.
	week := (10*own + 8*night + hourKWh*0.10*(7+63)) / 10
	if want := week * 5 * 50; math.Abs(*f.Value/want-1) > 1e-3 {
		t.Errorf("%.2f USD a year, want %.2f", *f.Value, want)
	}
	if !strings.Contains(f.Method, "250 workdays and 115 other days") || f.AtLeast {
		t.Errorf("at least %v; %s", f.AtLeast, f.Method)
	}
}

// TestLeakCostAbsent: each says why.
func TestLeakCostAbsent(t *testing.T) {
	price := sitefile.EnergyPrice{PerKWh: 0.1}
	unknown := idlingMachine(30, 10)
	delete(unknown.values, "power_loaded")
	unknown.figures["power_loaded"] = Figure{Absent: "no power channel"}
	throttled := idlingMachine(30, 10)
	throttled.g.sp.control = sitefile.Modulating
	for _, tt := range []struct {
		name    string
		site    *sitefile.Site
		days    int
		machine *sheet
		want    string
	}{
		{"no tariff", shiftSite(), 7, idlingMachine(30, 10), "no energy price"},
		{"no power", withPrices(shiftSite(), price), 7, unknown, "no power channel"},
		{"a throttled machine", withPrices(shiftSite(), price), 7, throttled, "hardly falls with its flow"},
	} {
		if f := costed(t, worked(tt.days, shopDemand), tt.site, gum.Exact(0.01), tt.machine); !strings.Contains(f.Absent, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, f.Absent, tt.want)
		}
	}
}

// TestLeakCostSharesTheFlow: a leak told by a machine's flow, priced by its power
// over the same flow, does not rest on that flow; what its meter of power is off by
// counts once.
func TestLeakCostSharesTheFlow(t *testing.T) {
	site := withPrices(shiftSite(), sitefile.EnergyPrice{PerKWh: 0.1})
	b := worked(7, shopDemand)
	b.flow[0] = gum.New(0.1, 0.005, "flow")
	leak := gum.New(0.01, 0.0005, "flow")
	m := idlingMachine(30, 10)
	m.values["power_loaded"], m.values["power_unloaded_mean"] = gum.New(30, 0.3, "meter"), gum.New(10, 0.1, "meter")
	turned := idlingMachine(30, 10)
	turned.g.sp.control = sitefile.VariableSpeed
	turned.values["specific_power"] = gum.New(5, 0.05, "meter").Plus(gum.New(0, -0.25, "flow"))
	for _, machine := range []*sheet{m, turned} {
		f := costed(t, b, site, leak, machine)
		if f.Value == nil {
			t.Fatal(f.Absent)
		}
		if half := *f.Uncertainty / *f.Value; math.Abs(half-0.02) > 1e-9 {
			t.Errorf("%s: half width %.4f of it, want 0.02: that of the meter", machine.g.sp.control, half)
		}
	}
}
