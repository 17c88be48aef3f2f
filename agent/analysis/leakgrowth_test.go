package analysis

import (
	"math"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/sitefile"
)

// leakingShop works from 7 to 16 from Monday to Friday, and leaks m³/s by the day of
// the record.
func leakingShop(leak func(days float64) float64) func(time.Time) float64 {
	begin := time.Date(2026, time.March, 2, 0, 0, 0, 0, time.UTC)
	return func(at time.Time) float64 {
		flow := leak(at.Sub(begin).Hours() / 24)
		if day := at.Weekday(); day >= time.Monday && day <= time.Friday && at.Hour() >= 7 && at.Hour() < 16 {
			flow += 0.05
		}
		return flow
	}
}

// TestLeaksThatMove: leaks that grow by a tenth a day, or are mended halfway, are
// told, and a year's cost is that of the last quarter of the nights; leaks that stay,
// or jump about, are no trend. The expected values are those of the demand put in.
func TestLeaksThatMove(t *testing.T) {
	price := sitefile.EnergyPrice{PerKWh: 0.10}
	for _, tt := range []struct {
		name        string
		leak        func(days float64) float64
		way         string
		first, last float64 // m³/s
		today       float64 // mean of the last three of the eleven nights
	}{
		// Monday's night is from 0 to 7, its middle at 0.146 days; the last weekend's from
		// Friday 16 h on, 11.667 to 14: middle 12.83; Wednesday's and Thursday's, 15 h each,
		// at 9.98 and 10.98.
		{"growing", func(d float64) float64 { return 0.005 + 0.0005*d }, "growing", 0.005073, 0.011417,
			0.005 + 0.0005*(15*9.979+15*10.979+56*12.833)/86},
		{"mended", func(d float64) float64 {
			if d < 7 {
				return 0.010
			}
			return 0.005
		}, "falling", 0.010, 0.005, 0.005},
		{"level", func(float64) float64 { return 0.008 }, "", 0, 0, 0.008},
		{"jumping", func(d float64) float64 { return 0.008 + 0.001*math.Pow(-1, math.Floor(d)) }, "", 0, 0, 0.008},
	} {
		t.Run(tt.name, func(t *testing.T) {
			site := withPrices(shiftSite("Mon-Fri 07:00-16:00"), price)
			b := worked(14, leakingShop(tt.leak))
			r := &quietResult{balance: b, hours: b.quietHours(site)}
			r.pa = b.meanPa(r.hours.minutes(), site.BarometerPa)
			mean, _ := b.mean(r.hours.minutes())
			r.leak = gum.New(mean.V, 0.02*mean.V, "flow")
			r.move = r.moved(site.BarometerPa)
			if tt.way == "" {
				if r.move != nil {
					t.Fatalf("a trend of %+v in leaks that have none", r.move)
				}
				return
			}
			if r.move == nil {
				t.Fatal("no trend was told")
			}
			if math.Abs(r.move.first/tt.first-1) > 0.005 || math.Abs(r.move.last/tt.last-1) > 0.005 || !strings.HasPrefix(r.move.words(site), tt.way+": ") {
				t.Errorf("%g to %g m³/s, want %g to %g; %s", r.move.first, r.move.last, tt.first, tt.last, r.move.words(site))
			}
			cost := func(r *quietResult) Figure {
				s := &sheet{g: newGathered(&spec{name: "main", pressure: -1}, 0, 0, nil), site: site, machines: []*sheet{idlingMachine(30, 10)}, figures: map[string]Figure{}}
				s.leakCost(r, r.leak)
				s.leakNotes(r, r.leak)
				return s.figures["leak_cost"]
			}
			got := cost(r)
			still := *r
			still.move = nil
			before := cost(&still)
			if got.Value == nil || before.Value == nil {
				t.Fatalf("no cost: %s", got.Absent)
			}
			if want := *before.Value / mean.V * tt.today; math.Abs(*got.Value/want-1) > 0.005 {
				t.Errorf("%.2f USD a year, want %.2f of the last nights; %.2f of all", *got.Value, want, *before.Value)
			}
			if !strings.Contains(got.Note, "the last 3 quiet nights") || strings.Contains(got.AtLeastWhy, "grow on") != (tt.way == "growing") {
				t.Errorf("note %q, at least for %q", got.Note, got.AtLeastWhy)
			}
		})
	}
}

// TestLeakSaysItsPressure: the value at the pressure of the hours in which machines
// deliver stands beside: by the absolute pressures, 700 over 500 kPa here.
func TestLeakSaysItsPressure(t *testing.T) {
	site := shiftSite()
	s := &sheet{site: site, figures: map[string]Figure{"leak_flow": {Name: "leak_flow"}}}
	r := &quietResult{pa: 500e3, workingPa: 700e3}
	s.leakNotes(r, gum.Exact(0.01))
	const want = "at 4 bar, the mean of quiet hours; 0.84 m³/min at 6 bar, the mean while machines deliver"
	if got := s.figures["leak_flow"].Note; got != want {
		t.Errorf("note %q, want %q", got, want)
	}
	r.workingPa = 505e3
	if s.leakNotes(r, gum.Exact(0.01)); s.figures["leak_flow"].Note != "at 4 bar" {
		t.Errorf("note %q of a pressure that hardly differs", s.figures["leak_flow"].Note)
	}
}
