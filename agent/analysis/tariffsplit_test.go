package analysis

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// TestMoneyAddsUp: however a window is split, energy, its cost and that of
// demand, emissions and off-shift energy add up, and the periods' rows to the
// whole.
func TestMoneyAddsUp(t *testing.T) {
	site := minutely(t, "America/Chicago")
	site.Shifts = window("7:07", "16:00")
	site.Tariff.EmissionsKgPerJ, site.Tariff.EmissionsProvided = 1e-7, true
	site.Tariff.Energy = []sitefile.EnergyPrice{{Period: sitefile.Period{Name: "base"}, PerKWh: 0.118}, {Period: sitefile.Period{Name: "peak", When: window("12:00", "18:00")}, PerKWh: 0.171}}
	site.Tariff.Demand = []sitefile.DemandCharge{{PerKW: 14.2, Window: 15 * time.Minute, Rolling: true, RatchetShare: 0.8, RatchetMonths: 2}}
	from, to := dayIn(site, 2026, 10, 30), dayIn(site, 2026, 11, 2) // the 1st has 25 hours
	m := meterTape(t, site, from, to, func(local time.Time) now {
		return now{own: 10 + 25*math.Abs(math.Sin(float64(local.Unix())/9000)), unloaded: local.Minute()%20 < 8}
	})
	names := []string{"energy", "energy_cost", "demand_cost", "emissions", "energy_off_shift", "energy_unloaded"}
	values := func(a, b int64) (all []float64) {
		rep, err := Compute(m, site, a, b, to.UnixMilli(), "")
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			i := slices.IndexFunc(rep.Machines[0].Figures, func(f Figure) bool { return f.Name == name })
			if f := rep.Machines[0].Figures[i]; f.Value != nil {
				all = append(all, *f.Value)
			} else {
				all = append(all, 0)
			}
		}
		for _, tb := range rep.Machines[0].Tables {
			if tb.Name == "energy_by_period" {
				sum := 0.0
				for _, r := range tb.Rows[:len(tb.Rows)-1] {
					sum += *r.Values[4]
				}
				if last := *tb.Rows[len(tb.Rows)-1].Values[4]; math.Abs(sum-last) > 1e-9 || math.Abs(last-all[1]) > 1e-9 {
					t.Fatalf("rows add up to %g, the last says %g, the figure %g", sum, last, all[1])
				}
			}
		}
		return all
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 15 {
		at := []int64{from.UnixMilli(), to.UnixMilli()}
		for range 1 + random.IntN(3) {
			cut := at[0] + random.Int64N(at[1]-at[0])
			if random.IntN(2) == 0 {
				cut = cellOf(cut)
			}
			at = append(at, cut)
		}
		slices.Sort(at)
		whole := values(at[0], at[len(at)-1])
		parts := make([]float64, len(whole))
		for i := 1; i < len(at); i++ {
			for k, v := range values(at[i-1], at[i]) {
				parts[k] += v
			}
		}
		for k := range whole {
			tolerance := 1e-9 * max(1, whole[k])
			for i := 1; i < len(at); i++ {
				// A part too short for a reading has no figures, nor its share of the
				// demand's days.
				if short := at[i] - at[i-1]; names[k] == "demand_cost" && short <= 60_000 {
					tolerance += 2 * whole[k] * float64(short) / float64(at[len(at)-1]-at[0])
				}
			}
			if math.Abs(parts[k]-whole[k]) > tolerance {
				t.Fatalf("%s: %.12g in parts, %.12g in one, cut at %v", names[k], parts[k], whole[k], at)
			}
		}
	}
}

// TestNothingAsked: a window of no length, and one without a reading, have no
// energy and no table, and no zero in place of one.
func TestNothingAsked(t *testing.T) {
	site, m := ratchetSite(t)
	for _, at := range []time.Time{dayIn(site, 2026, 2, 1), dayIn(site, 2025, 2, 1)} {
		for _, length := range []time.Duration{0, time.Hour} {
			if at.Year() == 2026 && length > 0 {
				continue
			}
			rep := mustCompute(t, m, site, at.UnixMilli(), at.Add(length).UnixMilli())
			for _, name := range []string{"energy", "energy_cost", "demand_cost", "peak_demand"} {
				if f := figureOf(t, rep, name); f.Value != nil {
					t.Errorf("%s = %g in %v from %v", name, *f.Value, length, at)
				}
			}
			if len(rep.Machines[0].Tables)+len(rep.Systems[0].Tables) > 0 {
				t.Errorf("tables of nothing: %s", asJSON(t, rep.Machines[0].Tables))
			}
		}
	}
}
