package airtruth

import (
	"math"

	"loadscribe/agent/analysis"
)

// Row is one figure of one subject in a run.
type Row struct {
	Run     Run
	Subject string
	Name    string
	Unit    string
	Value   float64 // NaN where absent
	U       float64 // half width of the stated 95 % interval
	Truth   float64 // NaN: there is none, or it is not known
	Absent  string
	AtLeast bool
}

// Counts reports whether the row can be counted: a value beside a truth.
func (r *Row) Counts() bool { return !math.IsNaN(r.Value) && !math.IsNaN(r.Truth) }

// Holds reports whether the stated interval holds the truth; "at least" holds
// what is more.
func (r *Row) Holds() bool {
	return math.Abs(r.Value-r.Truth) <= r.U+1e-9*math.Abs(r.Truth) || r.AtLeast && r.Truth > r.Value
}

// Width is the stated uncertainty over the truth.
func (r *Row) Width() float64 { return r.U / math.Abs(r.Truth) }

// Rows gives the figures of air of a run, and those of energy and duty to
// compare with.
func (p *Played) Rows() ([]Row, error) {
	var rows []Row
	add := func(subject string, figures []analysis.Figure, name string, truth float64) {
		r := Row{Run: p.Run, Subject: subject, Name: name, Value: math.NaN(), Truth: truth, Absent: "no such figure"}
		for i := range figures {
			f := &figures[i]
			if f.Name != name {
				continue
			}
			r.Absent, r.AtLeast, r.Unit = f.Absent, f.AtLeast, f.Unit
			if f.Value != nil {
				r.Value = *f.Value
			}
			if f.Uncertainty != nil {
				r.U = *f.Uncertainty
			}
		}
		rows = append(rows, r)
	}
	for i := range p.Report.Machines {
		f := &p.Report.Machines[i]
		t, err := p.machine(f.Machine)
		if err != nil {
			return nil, err
		}
		for name, truth := range map[string]float64{
			"energy": t.energyKWh, "duty_cycle": t.duty, "air_delivered": t.airM3, "flow_mean": t.flowMean,
			"full_load_flow": t.fullFlow, "delivery_delay": t.delayS, "specific_power": t.specific,
			"specific_power_loaded": t.specificLoaded, "specific_power_rated": t.specificRated,
			"specific_energy": t.specificKWh, "isentropic_efficiency": t.isentropic,
		} {
			add(f.Machine, f.Figures, name, truth)
		}
	}
	for i := range p.Report.Systems {
		f := &p.Report.Systems[i]
		atPa := math.NaN()
		for k := range f.Figures {
			if q := &f.Figures[k]; q.Name == "quiet_pressure" && q.Value != nil {
				atPa = *q.Value * 1e3 // kPa
			}
		}
		t := p.plant(atPa)
		for name, truth := range map[string]float64{
			"energy": t.energyKWh, "air_demand_mean": t.demandMean, "air_demand_peak": t.demandPeak, "quiet_demand": t.quiet, "leak_flow": t.leak, "leak_share": t.leakShare,
			"effective_volume": t.volumeM3, "volume_per_flow": t.volumePerFlowS,
		} {
			add(f.System, f.Figures, name, truth)
		}
	}
	return rows, nil
}
