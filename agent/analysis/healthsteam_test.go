package analysis

import (
	"math"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
)

// TestSaturation: IAPWS R7-97(2012) table 35 (read in stored test files), the
// CRC handbook's table (read) and Hyland-Wexler (computed), each within its
// tolerance, and back again.
func TestSaturation(t *testing.T) {
	rows := vector(t, "saturation_pressure.csv")
	for _, row := range rows {
		k, want, rel := number(t, row["T_k"]), number(t, row["p_kpa_expected"])*1000, number(t, row["rel_tolerance"])
		if got := saturationPa(k); math.Abs(got/want-1) > rel {
			t.Errorf("%s %g K: %.10g Pa, want %g ± %g of it", row["table"], k, got, want, rel)
		}
		if back := saturationK(saturationPa(k)); math.Abs(back-k) > 1e-6 {
			t.Errorf("%g K comes back as %.9g", k, back)
		}
	}
	backward := vector(t, "saturation_temperature.csv")
	for _, row := range backward {
		p, want := number(t, row["p_mpa"])*1e6, number(t, row["T_k_expected"])
		if got := saturationK(p); math.Abs(got-want) > 1e-6 {
			t.Errorf("%g Pa: %.9g K, want %g", p, got, want)
		}
	}
	if len(rows) < 20 || len(backward) < 3 {
		t.Fatalf("%d and %d check values", len(rows), len(backward))
	}
}

// TestCondensateExample: the worked examples, one read on a stored engineering
// page (a chart reading, hence 7 %), two computed with the formula of the
// reference, whose sources it names.
func TestCondensateExample(t *testing.T) {
	for _, row := range vector(t, "condensate.csv") {
		pa := number(t, row["p_atm_pa"])
		got := condensateKgM3(number(t, row["t_inlet_c"])+zeroK, number(t, row["rh_inlet"]), pa,
			number(t, row["t_separator_c"])+zeroK, pa+number(t, row["p_discharge_gauge_pa"]))
		if want := number(t, row["recomputed"]); math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %.8f kg/m³, want %.8f", row["case"], got, want)
		}
		if printed := row["printed"]; printed != "" {
			percent := number(t, strings.Fields(row["tolerance"])[0])
			if p := number(t, printed); math.Abs(got/p-1) > percent/100 {
				t.Errorf("%s: %.6f, printed %g ± %g %%", row["case"], got, p, percent)
			}
		}
	}
}

// TestMoistureLoad: water in saturated air, gallons an hour per cfm (read on a
// stored chart).
func TestMoistureLoad(t *testing.T) {
	const gallonKg, cfmM3H = 3.785411784, 60 * 0.028316846592
	for _, row := range vector(t, "moisture_load.csv") {
		k := (number(t, row["t_f"])-32)/1.8 + zeroK
		// All of it comes out where the separator is as cold as can be.
		e := saturationPa(k)
		kgM3 := vapourShare(e, 101_325) * (101_325 - e) / (dryAirGas * k)
		if got, want := kgM3*cfmM3H/gallonKg, number(t, row["printed_gph_per_cfm"]); math.Abs(got-want) > number(t, row["tolerance"]) {
			t.Errorf("%s °F: %.6f gal/h, printed %g", row["t_f"], got, want)
		}
	}
}

// TestDewPoint: air that is not compressed has the inlet's dew point; at eight
// times the pressure saturated air of 20 °C (2.3388 kPa, CRC handbook, read) has
// that of 18.71 kPa vapour, which the same table puts between 50 °C (12.344) and
// 60 °C (19.932).
func TestDewPoint(t *testing.T) {
	if got := dewPointK(293.15, 1, 100e3, 100e3); math.Abs(got-293.15) > 1e-6 {
		t.Errorf("saturated air of 20 °C at its own pressure: %.6f K", got)
	}
	got := dewPointK(293.15, 1, 100e3, 800e3) - zeroK
	if got < 58 || got > 59.5 {
		t.Errorf("saturated air of 20 °C at eight times the pressure: %.2f °C", got)
	}
	if half := dewPointK(293.15, 0.5, 100e3, 800e3) - zeroK; half >= got {
		t.Errorf("half the humidity: %.2f °C, not below %.2f", half, got)
	}
}

// TestNoDewPoint: a sensor that has failed cold and dry gives readings for which
// the formula has none; no figure may come of them.
func TestNoDewPoint(t *testing.T) {
	c := wetCell{inlet: estimate{213.2, 1}, humidity: estimate{v: 0.0011}, pressure: estimate{v: 2e5}}
	if c.sound(101_325) {
		t.Errorf("dew point %g ± %g K", c.dewK, c.dewU)
	}
	if c = (wetCell{inlet: estimate{293.15, 1}, humidity: estimate{v: 0.5}, pressure: estimate{v: 8e5}}); !c.sound(101_325) || c.dewK < 300 {
		t.Errorf("20 °C and 50 %%: dew point %g K", c.dewK)
	}
}

// TestCondensateGoesByTheFlowsBasis: the same air, as it is drawn in at 35 °C, 60 %
// and 90 kPa, or counted dry at 100 kPa and 20 °C, gives the same water. Of wet
// air 1 m³ holds (90 - 0.6·5.6290)/100 · 293.15/308.15 = 0.82408 m³ of the latter
// (worked by hand; saturation pressure of 35 °C from memory).
func TestCondensateGoesByTheFlowsBasis(t *testing.T) {
	const perM3 = 0.82408
	litres := func(m3 float64, dry bool) float64 {
		site := plant(t)
		site.BarometerPa = 90_000
		sp := machineSpec(site, sitefile.Groups(site), &site.Machines[0], Levels{})
		s := &sheet{site: site, figures: map[string]Figure{}, air: airResult{m3: estimate{v: m3}, dry: dry},
			g: &gathered{sp: sp, total: &delta{}}}
		s.g.total.stateMS[Loaded] = 24 * hourMS
		s.condensate(&wetAir{cells: []wetCell{{flowingMS: hourMS, inlet: estimate{v: 308.15}, humidity: estimate{v: 0.6},
			pressure: estimate{v: 790_000}}}})
		f := s.figures["condensate"]
		if f.Value == nil || *f.Value <= 0 {
			t.Fatalf("condensate: %s", asJSON(t, f))
		}
		return *f.Value
	}
	if wet, dry := litres(1000, false), litres(1000*perM3, true); math.Abs(dry/wet-1) > 1e-4 {
		t.Errorf("%.4f l as drawn in, %.4f l counted dry", wet, dry)
	}
}
