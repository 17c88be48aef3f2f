package report

import (
	"fmt"
	"time"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// shop is an invented site of one machine and one system with the figures given, as
// "subject.name", in their units.
func shop(figures map[string]float64) *Data {
	d := &Data{Site: &sitefile.Site{
		Name: "Larch Yard Turning", Location: time.UTC, Units: quantity.US, BarometerPa: 98_800,
		Machines: []sitefile.Machine{{Name: "comp1", Control: sitefile.LoadUnload, RatedFlowM3S: 0.0873, RatedPressurePa: 861_845, RatedPowerW: 37_000, NoLoadStop: 4 * time.Minute}},
		Systems:  []sitefile.System{{Name: "main", Machines: []string{"comp1"}, MinimumPressurePa: 620_528}},
	}}
	machine := analysis.MachineFigures{Machine: "comp1"}
	system := analysis.SystemFigures{System: "main"}
	for _, name := range figureOrder {
		if v, ok := figures["comp1."+name]; ok {
			machine.Figures = append(machine.Figures, one(name, v))
		}
		if v, ok := figures["main."+name]; ok {
			system.Figures = append(system.Figures, one(name, v))
		}
	}
	d.Figures = analysis.Report{Machines: []analysis.MachineFigures{machine}, Systems: []analysis.SystemFigures{system}}
	return d
}

// figureOrder are the names that fixtures give, in an order of their own.
var figureOrder = []string{"observed_time", "running_time", "duty_cycle", "mean_load_fraction", "mean_load_cycle", "starts_per_hour_max", "shortest_rest", "power_loaded",
	"energy", "energy_off_shift", "cut_in_set", "cut_out_set", "cycle_low", "full_load_flow", "pressure_p05", "pressure_p05_shift", "pressure_mean",
	"leak_flow", "effective_volume", "air_demand_peak"}

func one(name string, v float64) analysis.Figure {
	f := analysis.Figure{Name: name, Value: &v, Level: 0.95}
	if u, ok := map[string]float64{"leak_flow": 0.02, "pressure_p05": 10, "pressure_p05_shift": 10, "air_demand_peak": 0.3}[name]; ok {
		f.Uncertainty = &u
	}
	if limit, ok := map[string]float64{"starts_per_hour_max": 6, "shortest_rest": 72}[name]; ok {
		f.Limit = &limit
	}
	return f
}

// states are runs of a machine one after another, as "unloaded 240 s".
func states(all ...string) (runs []analysis.Run) {
	var at int64
	for _, text := range all {
		var word string
		var s int64
		if _, err := fmt.Sscanf(text, "%s %d", &word, &s); err != nil {
			panic(err)
		}
		run := analysis.Run{FromMS: at, ToMS: at + 1000*s}
		for _, state := range []analysis.State{analysis.Off, analysis.Standby, analysis.Stopped, analysis.Unloaded, analysis.Loaded} {
			if state.String() == word {
				run.State = state
			}
		}
		runs = append(runs, run)
		at = run.ToMS
	}
	return runs
}
