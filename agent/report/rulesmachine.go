package report

import (
	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Limits of this file.
const (
	narrowMarginK = 10   // common practice, no source
	wetShare      = 0.20 // common practice, no source
	unevenPct     = 1.0  // NEMA MG 1-14.36 derates above it (read)
	mostUnbalance = 5.0  // and no motor is to be run above this (read)
	leastLoadedS  = 3600 // common practice, no source: a cold start is no habit
)

const hotOil = "The machine may start by itself, and oil and metal are hot: stop it, lock it out, let it cool and its sump vent, see the gauge at zero before anything is opened. The maker's instructions and licensed people decide."

// faultRules are faults that explain others, and are asked before them.
func faultRules() []Rule {
	return []Rule{
		{
			Name: "blow-down", About: "Unloaded, the sump keeps its pressure.",
			Limit:   "three unloads of a minute and more, and a tenth of those judged, left more than two thirds of the pressure, or four fifths of the power",
			Basis:   "common practice, no source",
			Matters: mattersPeople, Caution: "The sump may stay full of air and hot oil after a stop: isolate the machine, vent it by hand and see its gauge at zero before anything is opened. Licensed people and the maker's instructions decide.",
			Fires: (*builder).findBlowDown,
		},
		{
			Name: "inlet-valve", About: "The inlet valve does not do what it is told: the machine takes the power of another state than its signal says.",
			Limit:   "a signal and the power contradict each other for half a minute in all, and it is no matter of wiring",
			Basis:   "unloaded power is 15 to 35 % of full load (DOE sourcebook, from memory); the times are common practice, no source",
			Matters: mattersMachine, Caution: hotOil, Fires: (*builder).findInletValve,
		},
	}
}

func machineRules() []Rule {
	return []Rule{
		{
			Name: "hot", About: "The air end came near the temperature at which it trips.",
			Limit:   "discharge_margin is under 10 K (18 °F)",
			Basis:   "common practice, no source; the trip is the site file's",
			Matters: mattersStops, Caution: hotOil, Fires: (*builder).findHot,
		},
		{
			Name: "cooler", About: "The aftercooler has become worse within the window.",
			Limit:   "approach_temperature rose by 1 K or more, by Pettitt's test, and no failed blow-down explains it",
			Basis:   "Pettitt 1979; the least change is common practice, no source",
			Matters: mattersMachine, Caution: hotOil, Fires: (*builder).findCooler,
		},
		{
			Name: "specific-power", About: "The machine takes more for its air than its nameplate says.",
			Limit:   "the whole interval of specific_power_rated lies above the nameplate's by more than ISO 1217 annex C allows: 8, 7, 6 or 5 % by size",
			Basis:   "ISO 1217 annex C (from memory)",
			Matters: mattersMachine, Fires: (*builder).findSpecificPower,
		},
		{
			Name: "unbalance", About: "The line voltages are uneven.",
			Limit:   "the whole interval of phase_unbalance lies above 1 %",
			Basis:   "NEMA MG 1-14.36: a motor is derated above 1 %, and not to be run above 5 % (read)",
			Matters: mattersMachine, Caution: "Work on live voltages is for licensed people under your local codes.", Fires: (*builder).findUnbalance,
		},
		{
			Name: "water", About: "Water may stay in the oil: the air end was colder than the dew point in the sump.",
			Limit:   "the whole interval of water_risk_share lies above 20 %, of an hour's load and more",
			Basis:   "common practice, no source; saturation by IAPWS R7-97 (read)",
			Matters: mattersMachine, Caution: hotOil, Fires: (*builder).findWater,
		},
	}
}

// remark is a machine's remark on a figure; nil: there is none.
func (b *builder) remark(i int, kind, about string) *analysis.Remark {
	for k := range b.data.Figures.Machines[i].Remarks {
		if r := &b.data.Figures.Machines[i].Remarks[k]; r.Kind == kind && r.About == about {
			return r
		}
	}
	return nil
}

func (b *builder) findBlowDown() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		r := b.remark(i, "blow_down", "blowdown_time")
		if r == nil || b.found("wiring", m.Name) {
			return nil
		}
		f := &Finding{Title: m.Name + " keeps its pressure when it unloads", Evidence: []Text{say(firstClause(r.Sentence))}}
		for _, e := range r.Evidence {
			f.Evidence = append(f.Evidence, say(sentence(e)))
		}
		f.Evidence = append(f.Evidence, b.lines(b.machineFigures(i), "Mean power without load", "power_unloaded_mean", "Power without load once blown down", "power_unloaded_settled", "Energy without load", "energy_unloaded")...)
		f.Advice = say("Have the blow-down valve looked at first, with its solenoid and pipe, then the minimum-pressure valve. A machine that cannot vent may also be unable to start again, and the plant goes without air for as long.")
		return f
	})
}

func (b *builder) findInletValve() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		if b.found("wiring", m.Name) {
			return nil
		}
		f := &Finding{Title: "The inlet valve of " + m.Name + " does not follow"}
		for _, d := range b.data.Figures.Machines[i].Findings {
			switch d.Sign {
			case analysis.SignNotDrawn, analysis.SignDrawn, analysis.SignIgnored:
				f.Evidence = append(f.Evidence, say(sentence(d.Sentence)))
			}
		}
		if len(f.Evidence) == 0 {
			return nil
		}
		f.Advice = say("See at the machine whether the valve moves when the controller loads and unloads: solenoid, control air, a piston that sticks. If it moves, then the signal or the meter is not what the site file says. The time of each spell stands above; hold it against what people remember of those hours.")
		return f
	})
}

func (b *builder) findHot() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		margin := b.ofMachine(i, "discharge_margin")
		if !margin.has() || *margin.Value >= narrowMarginK {
			return nil
		}
		return &Finding{Title: m.Name + " runs close to its trip temperature",
			Evidence: b.lines(b.machineFigures(i), "Highest discharge temperature", "discharge_temperature_max", "Margin to the trip", "discharge_margin", "Discharge over ambient", "discharge_rise"),
			Advice:   say("Look first at the air: filters of the room, warm air that comes back, a fan that does not run. Then the cooler, inside and out, then the oil level and the thermostat valve. A trip on a hot afternoon stops the plant.")}
	})
}

func (b *builder) findCooler() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		r := b.remark(i, "change", "approach_temperature")
		if r == nil || r.Change == nil || *r.Change <= 0 || b.found("blow-down", m.Name) {
			return nil
		}
		return &Finding{Title: "The cooler of " + m.Name + " has become worse",
			Evidence: append([]Text{say(firstClause(r.Sentence))}, b.lines(b.machineFigures(i), "Aftercooler over ambient, at full flow, mean of the window", "approach_temperature")...),
			Advice:   say("Look for dust on the cooler and for what covers it, and have it blown out from the clean side; see where the warm air goes. Hold the same figure against this one a day later.")}
	})
}

// tolerance is by how much a machine's specific power may lie above its data sheet.
func tolerance(flowM3Min float64) float64 {
	switch {
	case flowM3Min < 0.5:
		return 0.08
	case flowM3Min < 1.5:
		return 0.07
	case flowM3Min <= 15:
		return 0.06
	}
	return 0.05
}

func (b *builder) findSpecificPower() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		if m.RatedFlowM3S <= 0 || m.RatedPowerW <= 0 || b.found("wiring", m.Name) {
			return nil
		}
		seen := b.ofMachine(i, "specific_power_rated")
		plate := m.RatedPowerW / 1000 / (m.RatedFlowM3S * 60)
		if !(seen.low() > plate*(1+tolerance(m.RatedFlowM3S*60))) {
			return nil
		}
		f := &Finding{Title: m.Name + " takes more for its air than its nameplate says"}
		f.Evidence = append(f.Evidence, say(b.line("Specific power, brought to the rated pressure", seen), "; the nameplate's "+b.shown(m.RatedPowerW, quantity.Power)+" for "+m.RatedFlowText+" is less"))
		f.Evidence = append(f.Evidence, b.lines(b.machineFigures(i), "What it delivers at full load", "full_load_flow", "Mean power while loaded", "power_loaded", "Isentropic efficiency", "isentropic_efficiency")...)
		f.Advice = say("Have a pump-up test confirm the flow (loadscribe test pump-up), and the meters looked at. Then go from the outside in: intake filter, inlet valve that does not open fully, separator, leaks inside the package, slipping belts or couplings; last the air end. A wrong rated flow or power in the site file looks the same.")
		return f
	})
}

func (b *builder) findUnbalance() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		uneven := b.ofMachine(i, "phase_unbalance")
		if !(uneven.low() > unevenPct) {
			return nil
		}
		f := &Finding{Title: "The line voltages at " + m.Name + " are uneven", Evidence: []Text{b.limit("Unbalance", uneven)}}
		if *uneven.Value > mostUnbalance {
			f.Title, f.Broken = "The line voltages at "+m.Name+" are too uneven to run a motor on", true
		}
		f.Evidence = append(f.Evidence, b.lines(b.machineFigures(i), "What the motor may give of its power", "motor_derating")...)
		f.Advice = say("Have an electrician look at fuses, contacts and joints, then for a large single-phase load on the same supply; ask the utility if it comes from outside.")
		if m.Motor.Starting == "drive" {
			f.Advice = append(f.Advice, Run{Text: " The drive is fed by them, not the motor: its maker says how much it bears."})
		}
		return f
	})
}

func (b *builder) findWater() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		share, loaded := b.ofMachine(i, "water_risk_share"), b.ofMachine(i, "loaded_time")
		if !(share.low() > wetShare) || loaded.has() && *loaded.Value < leastLoadedS {
			return nil
		}
		return &Finding{Title: "Water may stay in the oil of " + m.Name,
			Evidence: b.lines(b.machineFigures(i), "Share of the loaded time below the dew point in the sump", "water_risk_share", "Dew point in the sump", "sump_dew_point", "Discharge over ambient", "discharge_rise"),
			Advice:   say("Have an oil sample looked at before anything is changed, and drain the water from the sump with the machine cold, stopped, locked out and vented. Then let it run warm: longer runs, a warmer room, a thermostat valve that closes. A machine too large for its work stays cold.")}
	})
}
