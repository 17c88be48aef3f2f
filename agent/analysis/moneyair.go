package analysis

import "fmt"

// MoneyAir is what air took, hour by hour, beside the machines' nameplates.
type MoneyAir struct {
	Absent string          `json:"absent,omitempty"` // why there are no points
	Unit   string          `json:"unit"`             // of value, uncertainty and the nameplates'
	Method string          `json:"method,omitempty"`
	Points []MoneyAirPoint `json:"points"`
	Rated  []MoneyRated    `json:"rated"`
	// Short is how many hours of the window are left out, since too little of them
	// was observed or too little air was made in them to tell.
	Short int `json:"short"`
}

// MoneyAirPoint is specific power in one hour of the clock, by the code that makes
// the figure.
type MoneyAirPoint struct {
	From string `json:"from"` // RFC 3339 UTC
	To   string `json:"to"`
	// Flow is the hour's mean flow of delivered air.
	Flow  float64 `json:"flow_m3_min"`
	Value float64 `json:"value"`
	U     float64 `json:"uncertainty"` // half width of the 95 % interval
}

// MoneyRated is a machine's nameplate: rated power over rated flow.
type MoneyRated struct {
	Machine string  `json:"machine"`
	Flow    float64 `json:"flow_m3_min"`
	PowerKW float64 `json:"power_kw"`
	Value   float64 `json:"value"`
	// Pressure is the rated pressure, gauge; left out where it is not given.
	Pressure *float64 `json:"pressure_kpa,omitempty"`
}

// moneyAir lays specific power out by hours.
func moneyAir(s *sheet, hours Hours) MoneyAir {
	a := MoneyAir{Unit: "kW/(m³/min)", Points: []MoneyAirPoint{}, Rated: []MoneyRated{}}
	for i := range hours.Rows {
		h := &hours.Rows[i]
		if h.Specific == nil || h.AirM3 == nil || *h.AirM3 <= 0 || h.Specific.Uncertainty == nil {
			continue
		}
		a.Points = append(a.Points, MoneyAirPoint{From: stamp(h.StartMS), To: stamp(h.StartMS + hourMS),
			Flow: *h.AirM3 / 60, Value: *h.Specific.Value, U: *h.Specific.Uncertainty})
		if a.Method == "" {
			a.Method = "each hour's specific_power; the first: " + h.Specific.Method
		}
	}
	a.Short = hours.Whole - len(a.Points)
	if len(a.Points) == 0 {
		a.Absent = "in no hour of this window air and energy were both known"
		if f := s.figures["specific_power"]; f.Absent != "" {
			a.Absent = f.Absent
		}
	}
	for _, m := range s.subjects() {
		o, ok := s.site.MachineByName(m.g.sp.name)
		if !ok || o.RatedPowerW <= 0 || o.RatedFlowM3S <= 0 {
			continue
		}
		r := MoneyRated{Machine: o.Name, Flow: float64(o.RatedFlowM3S * 60), PowerKW: o.RatedPowerW / wattsPerKW}
		r.Value = r.PowerKW / r.Flow
		if o.RatedPressurePa > 0 {
			r.Pressure = number64(o.RatedPressurePa / pascalsPerKPa)
		}
		a.Rated = append(a.Rated, r)
	}
	return a
}

// MoneyDuration is a system's demand, the highest step first, and what its machines
// give.
type MoneyDuration struct {
	Absent string          `json:"absent,omitempty"`
	Method string          `json:"method,omitempty"`
	StepS  int64           `json:"step_s"`
	Curve  []MoneyExceeded `json:"curve"`
	Covers []MoneyCover    `json:"covers"`
}

// MoneyExceeded is a demand and for how long it was exceeded.
type MoneyExceeded struct {
	Share float64 `json:"share"`   // of the observed time
	Above float64 `json:"above_s"` // time above
	Flow  float64 `json:"flow_m3_min"`
	U     float64 `json:"uncertainty_m3_min"` // half width of the 95 % interval
}

// MoneyCover is what the machines up to one give at full load, in the site file's
// order.
type MoneyCover struct {
	Machine string  `json:"machine"`
	Flow    float64 `json:"flow_m3_min"` // its own
	UpTo    float64 `json:"up_to_m3_min"`
	// Above is for how long the demand was above UpTo.
	Above  float64 `json:"above_s"`
	Share  float64 `json:"share"` // of the observed time
	Method string  `json:"method"`
}

// exceeded are the shares at which the curve is told.
func exceeded() []float64 {
	all := []float64{0, 0.001, 0.002, 0.005}
	for i := 1; i <= 100; i++ {
		if i <= 20 || i%2 == 0 {
			all = append(all, float64(i)/100)
		}
	}
	return all
}

// moneyDuration orders the demand of a system.
func (s *sheet) moneyDuration() MoneyDuration {
	d := MoneyDuration{Curve: []MoneyExceeded{}, Covers: []MoneyCover{}}
	if !s.g.sp.system {
		d.Absent = NotOfMachine
		return d
	}
	var order []bucket
	var stepMS int64
	if s.balance != nil && s.balance.absent == "" {
		if all, ms, ok := s.balance.buckets(); ok {
			order, stepMS = descending(all), ms
		}
	}
	if len(order) == 0 {
		if d.Absent = s.figures["air_demand_mean"].Absent; d.Absent == "" {
			d.Absent = "no step of the demand was wholly observed"
		}
		return d
	}
	d.StepS = stepMS / 1000
	d.Method = fmt.Sprintf("demand that was exceeded for a share of the observed time, in steps of %s; the noise of single steps widens both ends by up to what one is unsure of by itself; %s; demand: %s",
		stepName(stepMS), s.balance.resolution(), s.balance.method)
	for _, share := range exceeded() {
		i := min(int(share*float64(len(order))), len(order)-1)
		if i == 0 && share > 0 {
			continue // fewer steps than it takes to tell
		}
		d.Curve = append(d.Curve, MoneyExceeded{Share: share, Above: float64(int64(i)*stepMS) / 1000, Flow: float64(order[i].v * minuteS),
			U: float64(float64(coverageFactor*usualU(order, i)) * minuteS)})
	}
	s.covers(order, stepMS, &d)
	return d
}

// covers adds the machines one upon the other.
func (s *sheet) covers(order []bucket, stepMS int64, d *MoneyDuration) {
	sum := 0.0
	for _, m := range s.machines {
		flow := m.full.v.V
		if flow <= 0 {
			return // of what stands upon it nothing can be said
		}
		sum += flow
		above := 0
		for above < len(order) && order[above].v > sum {
			above++
		}
		d.Covers = append(d.Covers, MoneyCover{Machine: m.g.sp.name, Flow: float64(flow * minuteS), UpTo: float64(sum * minuteS),
			Above: float64(int64(above)*stepMS) / 1000, Share: float64(above) / float64(len(order)), Method: m.full.method})
	}
}
