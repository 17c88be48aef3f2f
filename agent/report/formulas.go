package report

// formulas are how figures are made, where each comes from, and of which figures; none
// named: it holds for all. docs/ has what there is to say beyond this.
var formulas = []struct {
	what, how, source string
	of                []string
}{
	{"uncertainty", "u² = Σ(c·u)² over all inputs, c how much the figure moves with an input; what two inputs share is added as one; a limit a of a data sheet is u = a/√3, a certificate's expanded uncertainty u = U/k; the interval is ± 2 u",
		"GUM, JCGM 100:2008, 4.3.3, 4.3.7 and 5 (from memory)", nil},
	{"time between readings", "a state holds from its reading to the next; a value runs straight from reading to reading; counters by their difference; nothing over a gap",
		"common practice, no source", nil},
	{"duty cycle", "loaded time ÷ running time, starts included", "common practice, no source", []string{"duty_cycle"}},
	{"starts and rest", "a start is the motor coming on; the limit is the motor's plate, else the table for its size and poles less what is not whole",
		"NEMA MG 10, table 2-3 (reprints read)", []string{"starts_per_hour_max", "shortest_rest"}},
	{"energy", "∫ power dt, or the meter's counter", "common practice, no source", []string{"energy"}},
	{"demand charge", "highest mean power of the tariff's window × price; of a billing month held in part the share of its days", "the tariff of the site file", []string{"demand_cost"}},
	{"air delivered", "flow at full load × (loaded time − delay of each load), or ∫ of a flow meter; the true flow is taken to lie from 12 % below the nameplate's to 5 % above it",
		"common practice, no source", []string{"air_delivered"}},
	{"air demand", "(supply − volume × (p2 − p1) ÷ p0) ÷ time, p0 the dry pressure at the inlet", "balance of mass of an ideal gas", []string{"air_demand_mean", "air_demand_peak"}},
	{"storage", "volume ÷ flow = p0 ÷ what full flow adds to the slope of the pressure, at loads and unloads", "balance of mass of an ideal gas", []string{"volume_per_flow", "effective_volume"}},
	{"specific power", "energy ÷ air, in kW for a m³/min of free air; loaded: at full load; at the pressure seen, or brought to the rated one",
		"quantity as in ISO 1217 (from memory); no acceptance test", []string{"specific_power", "specific_power_loaded", "specific_power_rated"}},
	{"isentropic efficiency", "p1·V·κ/(κ − 1)·((p2/p1)^((κ − 1)/κ) − 1) ÷ package power, κ = 1.4, pressures absolute",
		"ISO 1217:2009/A1:2016 (from memory); beside it 10 CFR 431.345, table 1 (read)", []string{"isentropic_efficiency"}},
	{"leaks", "quiet demand − purge − drains − night users; by the balance over quiet hours, by loaded time T over T + t, and by V·p/(p0·T)·ln(p1/p2) of a falling pressure, p its mean, weighted by what they know",
		"loaded time and bleed-down: DOE sourcebook on compressed air, 3rd edition (restated on pages read); exact logarithm: isothermal choked outflow", []string{"leak_flow", "leak_share"}},
	{"leaks' cost", "leak at each hour's pressure × the energy that a m³ less would save × the price of its hour, workdays and other days counted for a year", "common practice, no source", []string{"leak_cost"}},
	{"voltage unbalance", "largest deviation from the mean ÷ mean; the motor's share by the curve, straight lines between its points", "NEMA MG 1, 14.36 and figure 14-1 (reprints read)", []string{"phase_unbalance", "motor_derating"}},
	{"water", "saturation pressure of water; w = 0.621945·e/(p − e); what the air carries in less what it can carry at the aftercooler",
		"IAPWS R7-97, region 4 (test files read)", []string{"condensate", "sump_dew_point", "water_risk_share"}},
	{"emissions", "energy × the site file's factor", "the site file", []string{"emissions"}},
}
