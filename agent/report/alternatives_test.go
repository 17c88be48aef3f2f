package report

import (
	"maps"
	"reflect"
	"testing"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
	"loadscribe/agent/sitefile"
)

// sound are figures that no kind of change speaks for.
func sound() map[string]float64 {
	return map[string]float64{
		"comp1.observed_time": 604_800, "comp1.running_time": 160_000, "comp1.duty_cycle": 0.9, "comp1.mean_load_cycle": 400, "comp1.starts_per_hour_max": 1, "comp1.shortest_rest": 900,
		"comp1.power_loaded": 36, "comp1.energy": 1200, "comp1.cut_in_set": 655, "comp1.cut_out_set": 827.4, "comp1.full_load_flow": 5,
		"comp1.cycle_low": 645, "main.energy": 1200, "main.energy_off_shift": 10, "main.pressure_p05_shift": 640, "main.air_demand_peak": 5.1, "main.effective_volume": 3,
	}
}

// TestAlternatives: each kind of change is tried where the figures speak for it and
// nowhere else.
func TestAlternatives(t *testing.T) {
	cycles := states("loaded 60", "unloaded 240", "standby 60", "loaded 60", "unloaded 240", "standby 100", "loaded 60", "unloaded 240", "off 90", "loaded 60")
	for _, c := range []struct {
		name    string
		figures map[string]float64
		change  func(*Data)
		want    map[string]string
	}{
		{name: "a sound plant"},
		{name: "leaks told", figures: map[string]float64{"main.leak_flow": 0.1}, want: map[string]string{"leaks_mended": "50 %"}},
		{name: "leaks not told from nothing", figures: map[string]float64{"main.leak_flow": 0.015}},
		{name: "pressure to spare", figures: map[string]float64{"main.pressure_p05_shift": 672, "comp1.cycle_low": 660, "comp1.cut_in_set": 675.7, "comp1.cut_out_set": 827.4},
			want: map[string]string{"comp1.cut_in": "94.0 psi", "comp1.cut_out": "116.0 psi"}}, // 660 - 10 - 620.5 kPa: 4.3 psi
		{name: "a cycle that would go below the minimum", figures: map[string]float64{"main.pressure_p05_shift": 700, "comp1.cycle_low": 640}},
		{name: "no minimum known", figures: map[string]float64{"main.pressure_p05_shift": 700, "comp1.cycle_low": 700}, change: func(d *Data) { d.Site.Systems[0].MinimumPressurePa = 0 }},
		{name: "in bar", figures: map[string]float64{"main.pressure_p05_shift": 672, "comp1.cycle_low": 660, "comp1.cut_in_set": 680, "comp1.cut_out_set": 830},
			change: func(d *Data) { d.Site.Units = quantity.SI }, want: map[string]string{"comp1.cut_in": "6.60 bar", "comp1.cut_out": "8.10 bar"}},
		{name: "runs off shift", figures: map[string]float64{"main.energy_off_shift": 400},
			change: func(d *Data) { d.Site.Shifts = shifts(t, "Mon-Fri 07:00-16:00", "Sat 00:10-12:00") },
			want:   map[string]string{"comp1.schedule": "Mon-Fri 06:45-16:15; Sat 00:10-12:15"}},
		{name: "runs off shift for a night user", figures: map[string]float64{"main.energy_off_shift": 400}, change: func(d *Data) {
			d.Site.Shifts = shifts(t, "Mon-Fri 07:00-16:00")
			d.Site.Systems[0].NightUsers = []sitefile.NightUser{{}}
		}},
		// 4 gal/cfm of 176.6 cfm are 706 gal, less the 264 there are (the middle of the 3 to 5 of
		// the sourcebook, shared/reference.md).
		{name: "short cycles on a small receiver", figures: map[string]float64{"comp1.mean_load_cycle": 50, "main.effective_volume": 1}, want: map[string]string{"volume_add": "460 gal"}},
		{name: "short cycles on a large one", figures: map[string]float64{"comp1.mean_load_cycle": 50}},
		{name: "low load", figures: map[string]float64{"comp1.duty_cycle": 0.5}, want: map[string]string{"comp1.replace": "drive-50hp"}},
		{name: "low load, and the demand is small", figures: map[string]float64{"comp1.duty_cycle": 0.3, "main.air_demand_peak": 1.6}, want: map[string]string{"comp1.replace": "drive-20hp"}},
		{name: "low load, and the meter shows a third", figures: map[string]float64{"comp1.duty_cycle": 0.5, "comp1.power_loaded": 12}},
		{name: "low load of a drive", figures: map[string]float64{"comp1.mean_load_fraction": 0.4}, change: func(d *Data) { d.Site.Machines[0].Control = sitefile.VariableSpeed }},
		{name: "starts near the limit, and short rests", figures: map[string]float64{"comp1.starts_per_hour_max": 5, "comp1.shortest_rest": 20},
			change: func(d *Data) { d.Runs = map[string][]analysis.Run{"comp1": cycles} }, want: map[string]string{"comp1.no_load_stop": "8 min"}},
		{name: "idles long before it stops", figures: map[string]float64{}, change: func(d *Data) {
			d.Site.Machines[0].NoLoadStop = 0
			d.Runs = map[string][]analysis.Run{"comp1": states("loaded 60", "unloaded 900", "loaded 60", "unloaded 1500", "loaded 60")}
		}, want: map[string]string{"comp1.no_load_stop": "3 min"}},
		{name: "half a day observed", figures: map[string]float64{"comp1.observed_time": 43_200, "main.leak_flow": 0.1}},
		{name: "states are not known", figures: map[string]float64{"main.leak_flow": 0.1}, change: func(d *Data) { d.Figures.Machines[0].Figures = nil }},
	} {
		figures := sound()
		maps.Copy(figures, c.figures)
		d := shop(figures)
		if c.change != nil {
			c.change(d)
		}
		got := map[string]string{}
		for _, alt := range Alternatives(d, "main", nil) {
			if alt.Name == "" {
				t.Errorf("%s: an alternative without a name: %v", c.name, alt)
			}
			for _, s := range alt.Set {
				got[s.Key] = s.Value
			}
		}
		if want := c.want; len(got)+len(want) > 0 && !reflect.DeepEqual(got, want) {
			t.Errorf("%s: tried are %v, want %v", c.name, got, want)
		}
	}
}

// TestAlternativesAtMost: with everything wrong five are tried, and the same again.
func TestAlternativesAtMost(t *testing.T) {
	figures := sound()
	maps.Copy(figures, map[string]float64{"main.leak_flow": 0.4, "comp1.cycle_low": 720, "main.pressure_p05_shift": 720, "comp1.cut_in_set": 740, "main.energy_off_shift": 500,
		"comp1.mean_load_cycle": 30, "main.effective_volume": 0.3, "comp1.duty_cycle": 0.3})
	d := shop(figures)
	d.Site.Shifts = shifts(t, "Mon-Fri 07:00-16:00")
	d.Runs = map[string][]analysis.Run{"comp1": states("loaded 60", "unloaded 900", "loaded 60", "unloaded 1500", "loaded 60")}
	first := Alternatives(d, "main", nil)
	if len(first) != mostAlternatives {
		t.Errorf("%d alternatives, want %d: %v", len(first), mostAlternatives, first)
	}
	if again := Alternatives(d, "main", nil); !reflect.DeepEqual(first, again) {
		t.Errorf("asked again: %v, first %v", again, first)
	}
	if got := Alternatives(d, "elsewhere", nil); got != nil {
		t.Errorf("of a system that there is not: %v", got)
	}
	only := []replay.Listed{{ID: "small", Control: string(sitefile.VariableSpeed), RatedFlowM3S: 0.02, RatedPressurePa: 9e5}}
	for _, alt := range Alternatives(d, "main", only) {
		if alt.Set[0].Key == "comp1.replace" {
			t.Errorf("a machine of a third of the flow is offered: %v", alt)
		}
	}
}

// TestExamplesAreRead: where nobody brings a list the examples stand for it.
func TestExamplesAreRead(t *testing.T) {
	if all, err := replay.Examples(); err != nil || len(all) == 0 {
		t.Fatalf("%d examples, %v", len(all), err)
	}
}

func shifts(t *testing.T, texts ...string) (all []sitefile.WeekWindow) {
	for _, text := range texts {
		w, err := sitefile.ParseWindow(text)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, w)
	}
	return all
}
