package dashboard

import (
	"time"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
)

func (b *shop) Figures(fromMS, toMS int64, machine string) (analysis.Report, error) {
	value, u, cover := 6.41, 0.19, 0.998
	at := time.UnixMilli(toMS)
	r := analysis.Report{From: agent.Stamp(fromMS).String(), To: agent.Stamp(toMS).String(), Instruments: b.site.InstrumentFacts(at, at), Machines: []analysis.MachineFigures{
		{Machine: "comp1", Figures: []analysis.Figure{
			{Name: "specific_power", Value: &value, Unit: "kW/(m³/min)", Uncertainty: &u, Level: 0.95, Coverage: &cover, AtLeast: true,
				Denominator: "running time", Method: "energy over air", Inputs: []string{"meter.power", "rated flow (assumed)"}},
			{Name: "flow_mean", Absent: "no flow meter"},
		}, Tables: []analysis.Table{{
			Name: "energy_by_period", Method: "by the tariff's periods", Columns: []analysis.Column{{Name: "energy", Unit: "kWh"}, {Name: "price", Unit: "USD/kWh"}},
			Rows: []analysis.Row{{Name: "all times", Values: []*float64{&value, &u}}, {Name: "all", Values: []*float64{&value, nil}, Note: "no price"}},
		}}},
		{Machine: "comp2"},
	}}
	if machine == "" {
		r.Systems = []analysis.SystemFigures{{System: "main"}}
	}
	return r, b.ask("figures "+machine, fromMS, toMS)
}

func (b *shop) Service() ([]analysis.MachineService, error) {
	meter, left, since := 21_480.4, 510.0, 3490.0
	at := agent.Stamp(noon).String()
	return []analysis.MachineService{{Machine: "comp1", HourMeter: &meter, HoursPerDay: &left, Uncertainty: &since, OverDays: 28, Method: "the machine's hour meter",
		Items: []analysis.ServiceItem{{Item: "oil", EveryHours: 4000, EveryMonths: 12, Done: at, Note: 3, HoursSince: &since, AtLeast: true,
			HoursLeft: &left, Due: at, By: "hours", Earliest: at, Latest: at, Overdue: true, Absent: "not all of it",
			Marks: []analysis.ServiceMark{{Note: 3, At: at, HourMeter: &meter, Author: "R. Vale", Text: "changed", Found: "dark"}}, Moves: analysis.ServiceMoves("oil")}}},
		{Machine: "comp2", RateAbsent: "nothing was recorded", Items: []analysis.ServiceItem{}}}, b.ask("service", 0, 0)
}

func (b *shop) Compare(r agent.CompareRequest) (analysis.Comparison, error) {
	if r.Before == "" {
		return analysis.Comparison{}, &agent.FieldError{Field: "before", Message: "it is missing"}
	}
	v, half, n := 1234.5, 210.0, 3.0
	model := analysis.ComparedModel{Name: "air", What: "energy of an hour against its air", Scope: "at equal air", Points: 168, Parameters: 2,
		R2: &n, CVRMSE: &n, NMBE: &n, Rho: &n, EffectiveN: &n, KeepsLimits: true,
		Coefficients: []analysis.ModelCoefficient{{Name: "air", Unit: "kWh/m³", Value: 0.1, Error: 0.001, T: 100}},
		BaselineKWh:  &v, MeasuredKWh: &v, SavingKWh: &v, ModelKWh: &half, Uncertainty: &half, WiderBy: "days", GuidelineKWh: &half, Fractional68: &n}
	period := analysis.ComparedPeriod{From: agent.Stamp(noon).String(), To: agent.Stamp(noon).String(), Hours: 168, LeftOut: 1, Coverage: 0.99,
		EnergyKWh: &v, AirM3: &v, LoadedH: 40, UnloadedH: 12, PressureKPa: &v, AmbientC: &n, Production: &v, Method: "integral of power", AirMethod: "integral of the flow meter"}
	return analysis.Comparison{Kind: "system", Subject: "main", Sentence: "1230 ± 210 kWh a year saved.", Told: true,
		Figures: []analysis.Figure{{Name: "energy_saved", Value: &v, Unit: "kWh/year", Uncertainty: &half, Level: 0.95}, {Name: "peak_power_saved", Absent: "no peak window was given"}},
		Chosen:  "air", Why: "it follows", Models: []analysis.ComparedModel{model, {Name: "production", What: "x", Scope: "in all", Absent: "none"}},
		Before: period, After: period, Equal: []string{"shifts"}, Unequal: []string{}, Limits: []string{}, Basis: []string{"from memory"},
		DayTypes: []analysis.ComparedDayType{{Name: "workday", DaysPerYear: 250, HoursBefore: 120, HoursAfter: 120, KWBefore: &n, KWAfter: &n, FlowBefore: &n, FlowAfter: &n}}}, b.ask("compare", 0, 0)
}

func (b *shop) Days(q analysis.DaysQuery) (analysis.Days, error) {
	if q.Machine == "comp9" {
		return analysis.Days{}, &agent.FieldError{Field: "machine", Message: "there is no such machine"}
	}
	v, seen, at := 31.5, 899.0, agent.Stamp(noon).String()
	figures := []analysis.Figure{{Name: "energy", Value: &v, Unit: "kWh", Uncertainty: &seen, Level: 0.95, Coverage: &v}, {Name: "quiet_demand", Absent: "nobody rests"}}
	week := analysis.WeekMap{Unit: "kW", Method: "mean", Cells: []analysis.WeekCell{{Day: 0, Hour: 13, Value: &v, Observed: 1, Hours: 1, From: at, To: at}, {Day: 1, From: at, To: at}}}
	return analysis.Days{Kind: "system", Subject: "main", From: agent.Stamp(q.FromMS).String(), To: agent.Stamp(q.ToMS).String(), SlotS: 900, Pressure: "controller.discharge_pressure",
		Days: []analysis.Day{{Date: "2026-03-02", From: at, To: at, Share: 0.5, DayType: "workday", Figures: figures, SlotsFrom: at, Slots: 2,
			Machines: []analysis.DayMachine{{Machine: "comp1", Figures: figures, States: map[string][]float64{"loaded": {900, 0}}},
				{Machine: "comp2", Figures: []analysis.Figure{}, States: map[string][]float64{}, Absent: "no signal"}},
			Pressure: &analysis.DayPressure{Min: []*float64{&v, nil}, Mean: []*float64{&v, nil}, Max: []*float64{&v, nil}}}},
		Energy: week, Demand: analysis.WeekMap{Absent: "no tap", Cells: []analysis.WeekCell{}}, Instruments: b.site.InstrumentFacts(time.UnixMilli(noon), time.UnixMilli(noon)), Notes: []string{"old"}}, b.ask("days", q.FromMS, q.ToMS)
}

func (b *shop) Periods(r agent.PeriodsRequest) (analysis.Periods, error) {
	if r.First == "" {
		return analysis.Periods{}, &agent.FieldError{Field: "first", Message: "it is missing"}
	}
	v, at := 31.5, agent.Stamp(noon).String()
	period := analysis.Period{From: at, To: at, Days: 7, Coverage: 1, DayTypes: []analysis.PeriodDays{{Name: "workday", Days: 5}}}
	f := analysis.Figure{Name: "energy", Value: &v, Unit: "kWh", Uncertainty: &v, Level: 0.95, Coverage: &v}
	return analysis.Periods{Kind: "machine", Subject: "comp1", Sentence: "One differs.", First: period, Second: period,
		Rows: []analysis.PeriodRow{{Name: "energy", First: f, Second: f, FirstPerDay: &v, SecondPerDay: &v, Difference: f, Share: &v, Told: true},
			{Name: "starts", Machine: "comp1", First: f, Second: f, Difference: analysis.Figure{Name: "starts", Absent: "why"}}},
		Remarks: []string{"unlike"}, Command: "loadscribe compare", Instruments: b.site.InstrumentFacts(time.UnixMilli(noon), time.UnixMilli(noon))}, b.ask("periods", 0, 0)
}

func (b *shop) ServiceEffect(r agent.ServiceEffectRequest) (analysis.ServiceEffect, error) {
	if r.Note != 3 {
		return analysis.ServiceEffect{}, &agent.FieldError{Field: "note", Message: "no such mark"}
	}
	p, err := b.Periods(agent.PeriodsRequest{First: "x"})
	row, at := 0, agent.Stamp(noon).String()
	moves := analysis.ServiceMoves("oil")
	return analysis.ServiceEffect{Note: 3, Machine: "comp1", Item: "oil", Done: at, Found: "dark", DaysAsked: r.Days, Days: 2, Absent: "nothing", Sentence: "Of them.",
		Moves: []analysis.ServiceMoved{{Figure: moves[0].Figure, Way: "lower", Why: "x", Row: &row, Judged: "lower"}, {Figure: moves[1].Figure, Why: "x", Absent: "why"}}, Remarks: []string{"unlike"}, Periods: &p}, err
}

func (b *shop) Intervals(machine string, fromMS, toMS int64) ([]analysis.Interval, error) {
	energy := 7.5
	return []analysis.Interval{
		{Start: agent.Stamp(noon - 900_000).String(), ObservedS: 899, States: map[string]float64{"loaded": 500, "unloaded": 399}, EnergyKWh: &energy, Starts: 1, LoadCycles: 9},
		{Start: agent.Stamp(noon).String(), States: map[string]float64{}},
	}, b.ask("intervals "+machine, fromMS, toMS)
}

func (b *shop) Demand(system string, fromMS, toMS, stepMS int64) (analysis.Demand, error) {
	flow, u, pa := 0.031, 0.002, 7.1e5
	return analysis.Demand{System: system, From: agent.Stamp(fromMS).String(), To: agent.Stamp(toMS).String(), StepS: stepMS / 1000,
		ResolutionS: 39, Resolution: "not resolvable below 39 s", Mean: &flow, U: &u, Coverage: 0.5, Method: "air of the machines, less what the stores took",
		Budget: []analysis.BudgetPart{{Input: "rated flow of comp1 (assumed)", Share: 1}}, Inputs: []string{"rated flow (assumed)"},
		Steps: []analysis.DemandStep{{Start: agent.Stamp(fromMS).String(), Flow: &flow, U: &u, OwnU: &u, Pressure: &pa, Seen: 1, Delivering: 0.5},
			{Start: agent.Stamp(noon).String()}}}, b.ask("demand "+system, fromMS, toMS)
}

func (b *shop) Nights(system string, fromMS, toMS int64) (analysis.Nights, error) {
	flow, pa, at := 0.031, 7.1e5, agent.Stamp(noon).String()
	if toMS-fromMS > analysis.MostNightsMS {
		return analysis.Nights{}, &analysis.DemandError{Field: "from", Message: "ask for less"}
	}
	return analysis.Nights{System: system, From: agent.Stamp(fromMS).String(), To: agent.Stamp(toMS).String(), StepS: 900, Basis: "outside the shifts", Agreement: "one method only",
		Figures: []analysis.Figure{{Name: "leak_flow", Absent: "no tap"}}, Tables: []analysis.Table{{Name: "leak_methods", Columns: []analysis.Column{{Name: "leak", Unit: "m³/min"}}, Rows: []analysis.Row{{Name: "base demand", Values: []*float64{&flow}}}}},
		Nights:      []analysis.Night{{From: at, To: at, Quiet: 900, Flow: &flow, Pressure: &pa}, {From: at, To: at, Why: "not observed"}},
		Quarters:    analysis.NightQuarters{From: at, Found: []analysis.Quarter{analysis.QuarterTaken, analysis.QuarterShift}, Flow: []*float64{&flow, nil}, Pressure: []*float64{&pa, nil}},
		Instruments: b.site.InstrumentFacts(time.UnixMilli(noon), time.UnixMilli(noon)), Notes: []string{}}, b.ask("nights "+system, fromMS, toMS)
}

func (b *shop) Leaks(system string, fromMS, toMS int64) (agent.Leaks, error) {
	hole, flow, pa := 0.002, 0.0035, 6e5
	sum := agent.LeakSum{Count: 1, FlowM3S: flow, U: flow / 2}
	return agent.Leaks{System: system, From: agent.Stamp(fromMS).String(), To: agent.Stamp(toMS).String(), Pressure: &pa, Open: sum, Measured: &sum, Untagged: &sum, Cost: &flow, Currency: "USD", Sentence: "1 tag.", Method: "choked",
		Tags: []agent.LeakTag{{Tag: 4, System: system, Place: "hose reel", State: "mended", HoleM: &hole, Coefficient: 0.65, FlowM3S: &flow, Found: noon, FoundBy: "R. Vale", Mended: noon, MendedBy: "R. Vale",
			Entries: []agent.LeakTagSaid{{Seq: 4, Action: "found", Time: noon, Who: "R. Vale"}}}, {Tag: 5, System: system, Place: "drain", State: "open", Coefficient: 0.65, Found: noon, FoundBy: "x", Entries: []agent.LeakTagSaid{}}}}, b.ask("leaks "+system, fromMS, toMS)
}

func (b *shop) Unloads(machine string, q analysis.UnloadQuery) (analysis.Unloads, error) {
	return analysis.Unloads{Machine: machine, From: agent.Stamp(q.FromMS).String(), To: agent.Stamp(q.ToMS).String(), Total: 1,
		Power: "meter.power", PowerUnit: "kW", Sentences: []string{"1 of 1 unload settled."}, Notes: []string{},
		Unloads: []analysis.UnloadCurve{{Start: agent.Stamp(noon).String(), LastedS: 40, Ended: "load",
			Power: [][2]float64{{-5, 36.5}, {3, 24}}, Sump: [][2]float64{}}}}, b.ask("unloads "+machine, q.FromMS, q.ToMS)
}

func (b *shop) Cycles(machine string, q analysis.CyclesQuery) (analysis.Cycles, error) {
	v, at, end := 1.5, agent.Stamp(noon).String(), 20.0
	return analysis.Cycles{Machine: machine, From: agent.Stamp(q.FromMS).String(), To: agent.Stamp(q.ToMS).String(), Control: "load/unload",
		Absent: "not all", Sentences: []string{"It loaded once."}, Notes: []string{}, Method: "signals", Inputs: []string{"controller.loaded"}, Coverage: 0.9,
		Lengths:     []analysis.CycleLengths{{What: analysis.LengthRest, Count: 1, ShortestS: 12, MedianS: 12, LongestS: 12, Classes: []analysis.Class{{From: 10, To: &end, Count: 1}}}},
		CyclesTotal: 1,
		Cycles: []analysis.LoadCycle{{Start: at, LoadedS: 40, UnloadedS: 60, Ended: "load", CycleS: &v, Started: at, CutInKPa: &v, CutOutKPa: &v, LowKPa: &v, HighKPa: &v, Demand: &v},
			{Start: at, LoadedS: 40, Ended: "stop"}},
		Starts: analysis.StartsSeen{Total: 1, Limit: &v, LimitBasis: "the maker's", Most: 1, AtLeast: true, BusiestFrom: at, BusiestTo: at, Over: 1,
			List:    []analysis.SeenStart{{At: at, From: "standby", RestS: &v, InHour: 1, AfterLoss: true}, {At: at, From: "off", InHour: 1}},
			Rolling: []analysis.RollingStarts{{At: at, Starts: 1}}, NoLoadStop: &v, StopBasis: "1 of 1"},
		Storage: analysis.CycleStorage{Absent: "none", Method: "textbook", Inputs: []string{"site file"}, BandKPa: &v, FillS: &v, FillU: &v, DelayS: &v,
			Budget: []analysis.BudgetPart{{Input: "volume", Share: 1}}, SeenS: &v, SeenU: &v, SeenOf: 3, Points: []analysis.CyclePoint{{Demand: 0.5, CycleS: 90, LowS: 80, HighS: 100}}},
		Unobserved: []analysis.CycleGap{{From: at, To: at, Reason: "timeout"}}}, b.ask("cycles "+machine, q.FromMS, q.ToMS)
}
