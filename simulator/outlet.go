package simulator

// fillPart is the share of a half cycle of a heatless dryer in which the purge
// is shut and the tower fills.
const fillPart = 5

// PurgeOpenShare is the share of the time in which a purge is open.
const PurgeOpenShare = 1 - 1.0/fillPart

// outlet is a valve that lets air out of a vessel now and then: a drain, a vent
// or the purge of a dryer.
type outlet struct {
	vessel  int
	orifice float64 // m³/s/Pa
	purge   bool
	running bool  // only while a machine runs
	everyS  int64 // period
	openS   int64 // of it, at the beginning
	phaseS  int64
	from    Moment // by hand, where everyS is 0
	until   Moment
	open    bool
}

// buildOutlets makes the scenario's purges and drains. Each sits at the volume
// of its part, or at the next one that the air comes to.
func (w *World) buildOutlets() {
	s := w.scenario
	volume := 0
	at := map[string]int{}
	for _, p := range s.Parts {
		at[p.Name] = min(volume, len(w.vessels)-1)
		if p.Purge.FlowM3S > 0 {
			half := int64(p.Purge.Half.Seconds())
			w.outlets = append(w.outlets, outlet{vessel: at[p.Name], purge: true, running: p.Purge.Running,
				orifice: p.Purge.FlowM3S / (p.Purge.AtPa + s.BarometerPa), everyS: half, openS: half - half/fillPart})
		}
		if p.VolumeM3 > 0 {
			volume++
		}
	}
	for i, d := range s.Drains {
		rng := newRandom(s.Seed, 2e6+uint64(i))
		every := int64(d.Every.Seconds())
		w.outlets = append(w.outlets, outlet{vessel: at[d.Part], orifice: d.FlowM3S / (d.AtPa + s.BarometerPa),
			everyS: every, openS: int64(d.Open.Seconds()), phaseS: int64(rng.float() * float64(every)),
			from: d.From, until: d.Until})
	}
}

// second opens and shuts the valve; now counts seconds, moment says where in the
// week that is.
func (o *outlet) second(now int64, moment Moment, running bool) {
	if o.everyS == 0 {
		o.open = moment.within(o.from, o.until)
		return
	}
	o.open = (now+o.phaseS)%o.everyS < o.openS && (running || !o.running)
}

// let is a step of the air that goes.
func (o *outlet) let(w *World) {
	if !o.open {
		return
	}
	v := &w.vessels[o.vessel]
	p := v.pressurePa()
	out := o.orifice * p * chokedShare(p, w.scenario.BarometerPa) * stepS
	v.freeM3 -= out
	if o.purge {
		w.plant.PurgedM3 += out
	} else {
		w.plant.DrainedM3 += out
	}
}
