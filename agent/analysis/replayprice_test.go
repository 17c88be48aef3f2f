package analysis

import (
	"math"
	"slices"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// TestSlotPrices works a bill by hand. Two months of 20 kW, but in the first a quarter
// hour of 60 kW, in the second one of 50 kW and, another day, one of 45 kW. Energy is
// 0.10 a kWh, 0.30 from 12:00 to 18:00; demand 10 a kW and month of the highest
// quarter hour. The rules of a demand charge and a ratchet are common practice, no
// source.
func TestSlotPrices(t *testing.T) {
	site := minutely(t, "UTC")
	day, minutes := [7]bool{true, true, true, true, true, true, true}, 12*60
	site.Tariff = sitefile.Tariff{Currency: "USD", BillingDay: 1, EmissionsProvided: true, EmissionsKgPerJ: 0.4 / 3.6e6,
		Energy: []sitefile.EnergyPrice{{PerKWh: 0.10}, {PerKWh: 0.30, Period: sitefile.Period{Name: "dear", When: []sitefile.WeekWindow{{Days: day, FromMinute: minutes, UntilMinute: 18 * 60}}}}},
		Demand: []sitefile.DemandCharge{{PerKW: 10, Window: 15 * time.Minute}}}
	from, middle, to := dayIn(site, 2026, 2, 1), dayIn(site, 2026, 3, 1), dayIn(site, 2026, 4, 1)
	peak := func(m time.Month, d int) time.Time { return dayIn(site, 2026, m, d).Add(13 * time.Hour) }
	src := meterTape(t, site, from, to, func(at time.Time) now {
		n := now{own: 20}
		for day, kW := range map[time.Time]float64{peak(2, 10): 60, peak(3, 10): 50, peak(3, 20): 45} {
			// A pair of readings belongs to the cell of the later one.
			if !at.Before(day.Add(-time.Minute)) && at.Before(day.Add(15*time.Minute)) {
				n.own = kW
			}
		}
		return n
	})
	slotOf := func(at time.Time) int { return int(at.Sub(middle) / (15 * time.Minute)) }
	price := func(t *testing.T, change func(slots []float64)) (before, after SlotPrice) {
		p, err := NewSlotPricer(src, site, "main", middle.UnixMilli(), to.UnixMilli(), to.UnixMilli())
		if err != nil || p.EnergyAbsent+p.DemandAbsent+p.EmissionsAbsent != "" {
			t.Fatalf("%v, absent %q %q %q", err, p.EnergyAbsent, p.DemandAbsent, p.EmissionsAbsent)
		}
		base := slices.Repeat([]float64{20e3 * 900}, slotOf(to))
		base[slotOf(peak(3, 10))], base[slotOf(peak(3, 20))] = 50e3*900, 45e3*900
		other := slices.Clone(base)
		change(other)
		return p.Price(base, base), p.Price(base, other)
	}
	slot := slotOf(peak(3, 10))
	near := func(t *testing.T, what string, got, want float64) { t.Helper(); nearTo(t, what, got, want, 0.02) }
	t.Run("the peak goes, the next one counts", func(t *testing.T) {
		before, after := price(t, func(s []float64) { s[slot] -= 20e3 * 900 })
		plain := 31 * 20 * (18*0.10 + 6*0.30) // days of 20 kW
		near(t, "energy before", before.EnergyMoney, plain+(30+25)*0.25*0.30)
		near(t, "energy saved", before.EnergyMoney-after.EnergyMoney, 20*0.25*0.30)
		near(t, "kg saved", before.Kg-after.Kg, 20*0.25*0.4)
		near(t, "demand before", before.DemandMoney, 500)
		near(t, "demand after", after.DemandMoney, 450)
	})
	t.Run("off the peak nothing of the demand is saved", func(t *testing.T) {
		before, after := price(t, func(s []float64) { s[0] -= 10e3 * 900 })
		near(t, "demand saved", before.DemandMoney-after.DemandMoney, 0)
		near(t, "energy saved", before.EnergyMoney-after.EnergyMoney, 10*0.25*0.10)
	})
	t.Run("what is not known counts nothing", func(t *testing.T) {
		before, after := price(t, func(s []float64) { s[slot] = math.NaN() })
		near(t, "demand saved", before.DemandMoney-after.DemandMoney, 0)
	})
	t.Run("a ratchet stays", func(t *testing.T) {
		site.Tariff.Demand[0].RatchetShare, site.Tariff.Demand[0].RatchetMonths = 0.8, 1
		before, after := price(t, func(s []float64) { s[slot] -= 20e3 * 900 })
		// 80 % of February's 60 kW are 48 kW, more than the 45 kW that are left.
		near(t, "demand after", after.DemandMoney, 480)
		near(t, "demand before", before.DemandMoney, 500)
	})
}

func TestSlotPricesRefused(t *testing.T) {
	site := plant(t)
	for _, c := range []struct {
		system   string
		from, to int64
	}{{"main", 1, cellMS}, {"main", cellMS, 0}, {"nobody", 0, cellMS}} {
		if _, err := NewSlotPricer(&memory{}, site, c.system, c.from, c.to, cellMS); err == nil {
			t.Errorf("%s, %d to %d was taken", c.system, c.from, c.to)
		}
	}
}
