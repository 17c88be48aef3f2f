package report

import (
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Limits of this file. Common practice, no source.
const (
	leastRoomPa  = 34_473.8 // 5 psi
	lowS         = 600      // of shift hours in a week
	mostLoads    = 60       // a running hour
	narrowBandPa = 68_947.6 // 10 psi
	standsShare  = 0.5      // of the low time: the cause is then that no machine ran
)

const (
	standing       = "standing_below_minimum_share"
	pressureNoCure = "A higher pressure is no cure to begin with: it makes leaks larger and motors hotter. Never touch safety valves or protections."
)

func pressureRules() []Rule {
	return []Rule{
		{
			Name: "pressure-low", About: "In shift hours the pressure fell below what the users need.",
			Limit:   "the lower end of time_below_minimum_shift is more than 10 minutes in a week, less what set clocks may have moved",
			Basis:   "minimum_pressure of the site file; the time is common practice, no source",
			Matters: mattersStops, Caution: pressureNoCure, Fires: (*builder).findPressureLow,
		},
		{
			Name: "pressure-high", About: "The pressure is higher than the users need.",
			Limit:   "the lowest pressure of shift hours, of nineteen twentieths of them and of load cycles, less the gauge's error, lies 5 psi (0.34 bar) and more above minimum_pressure",
			Basis:   "common practice, no source; 2 psi are about 1 % of the power near 100 psi (DOE sourcebook, read)",
			Matters: mattersAir, Caution: "A lower pressure must still serve every user, at the end of the pipe and in the worst minute: change it in small steps. Never touch safety valves or protections.", Fires: (*builder).findPressureHigh,
		},
		{
			Name: "short-cycling", About: "A machine loads and unloads in quick succession.",
			Limit:   "load_cycles_per_hour is above 60: a load a minute, in which the sump never blows down",
			Basis:   "common practice, no source; 3 to 5 gal of storage for each cfm suit load and unload (DOE sourcebook, read)",
			Matters: mattersMachine, Caution: pressureVessel, Fires: (*builder).findShortCycling,
		},
	}
}

func (b *builder) findPressureLow() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		below := b.ofSystem(i, "time_below_minimum_shift")
		if !below.has() {
			return nil
		}
		set, _ := b.steps()
		weeks := max(1, float64(b.data.ToMS-b.data.FromMS)/(7*86_400_000))
		if below.low()-set/1000 <= lowS*weeks {
			return nil
		}
		f := &Finding{Title: "The pressure falls below what users need", Evidence: b.lines(b.systemFigures(i),
			"In shift hours below the minimum", "time_below_minimum_shift", "of it while no machine ran", standing, "the longest at a stretch", "longest_below_minimum_shift", "Lowest in shift hours", "pressure_min_shift", "Mean in shift hours", "pressure_mean_shift", "Highest demand", "air_demand_peak")}
		f.Evidence = append(f.Evidence, say("Minimum by the site file: "+b.shown(s.MinimumPressurePa, quantity.Pressure)))
		stands := b.stood(s, below, b.ofSystem(i, standing))
		if stands {
			f.Title = "The pressure falls below what users need while no machine runs"
		}
		switch {
		case b.stopped(s):
			f.Advice = say("See what the machine did at those times before anything else: it stood, or could not load, and its own findings say why. Mend that first, then look again.")
		case stands:
			f.Advice = say("See what kept the machines from running for ", b.plain(b.ofSystem(i, standing)), " of the low time: a rest that is kept between two starts, a clock or a hand that starts them with the shift, a cut-in below what users need. "+
				"Let them start a quarter of an hour before the shift, so that the plant is full when work begins. Where such a rest holds a machine back after a break, let it run unloaded for longer before it stops; never shorten that rest, it guards the motor. More storage carries the plant over the wait. Storage beside single users, or another machine, does not mend this.")
			f.Caution = pressureNoCure + " A machine that a clock starts moves without warning."
		case b.fast(s):
			f.Advice = say("Find the users who take much for seconds, and give them storage of their own. Then a larger receiver behind the dryer: the machine has air enough in the mean, and too little is stored for the peaks. Lift the cut-in only as far as is left then.")
		default:
			f.Advice = say("Find when it happens and who takes air then. If the machines are loaded throughout, supply is short: mend leaks, move or shrink the peak, then think of another machine. If they are not, look for a band set too low, a filter that has filled, and a pipe that is too thin.")
		}
		return f // no money: air that is missing costs work, which no meter shows
	})
}

// stood reports that no machine of a system ran for most of the low time, though each hour
// in which one was not observed may have been such a time, and it ran.
func (b *builder) stood(s *sitefile.System, below, share ref) bool {
	if !share.has() {
		return false
	}
	sure := share.low() * *below.Value
	for _, m := range s.Machines {
		if i := b.machine(m); i >= 0 {
			if unseen := b.ofMachine(i, "unobserved_time"); unseen.has() {
				sure -= *unseen.Value
			}
		}
	}
	return sure >= standsShare**below.Value
}

// stopped reports a machine of the system whose own finding tells why it may have given
// no air; fast, one that loads and unloads in quick succession.
func (b *builder) stopped(s *sitefile.System) bool {
	for _, m := range s.Machines {
		for _, rule := range []string{"blow-down", "inlet-valve", "faults"} {
			if b.found(rule, m) {
				return true
			}
		}
	}
	return false
}

func (b *builder) fast(s *sitefile.System) bool {
	for _, m := range s.Machines {
		if i := b.machine(m); i >= 0 && b.ofMachine(i, "load_cycles_per_hour").low() > mostLoads {
			return true
		}
	}
	return false
}

func (b *builder) findPressureHigh() []Finding {
	return b.eachSystem(func(i int, s *sitefile.System) *Finding {
		a := alternatives{b: b}
		if !a.find(s.Name, nil) || a.room() < leastRoomPa {
			return nil
		}
		lowest, below := b.ofSystem(i, "pressure_min_shift"), b.ofSystem(i, "time_below_minimum_shift")
		// A lowest value below the minimum, of seconds, is the filling in the morning.
		filled := below.has() && *below.Value > 0
		if !filled && !(lowest.low()*1000 > s.MinimumPressurePa+leastRoomPa) || below.has() && below.low() > 0 {
			return nil
		}
		for _, m := range a.machines {
			cycle, drop := b.ofMachine(m.at, "cycle_low"), b.ofMachine(m.at, "treatment_drop")
			if cycle.has() && drop.has() && (*cycle.Value-max(0, *drop.Value))*1000 < s.MinimumPressurePa+leastRoomPa {
				return nil
			}
		}
		f := &Finding{Title: "The pressure is higher than users need", Evidence: b.lines(b.systemFigures(i),
			"Lowest in shift hours", "pressure_min_shift", "Below this for a twentieth of the shift hours", "pressure_p05_shift", "Mean in shift hours", "pressure_mean_shift")}
		f.Evidence = append(f.Evidence, say("Minimum by the site file: "+b.shown(s.MinimumPressurePa, quantity.Pressure)))
		f.Advice = say("Lower the band by a couple of psi, wait for a busy day, ask the users, and go on until the lowest is what they need. If one user alone needs the pressure, serve that one by itself. Leaks and blow guns take less at once.")
		f.Effect = b.byReplay(s.Name, "", "cut_in", "cut_out", "target")
		return f
	})
}

func (b *builder) findShortCycling() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		loads := b.ofMachine(i, "load_cycles_per_hour")
		if !(loads.low() > mostLoads) {
			return nil
		}
		f := &Finding{Title: m.Name + " loads and unloads in quick succession", Evidence: b.lines(b.machineFigures(i),
			"Loads in a running hour", "load_cycles_per_hour", "Mean time from one to the next", "mean_load_cycle", "Band", "band_seen", "Time that a blow-down takes", "blowdown_time", "Mean power without load", "power_unloaded_mean")}
		system := b.systemOf(m.Name)
		if at := b.system(system); at >= 0 {
			f.Evidence = append(f.Evidence, b.lines(b.systemFigures(at), "Storage", "effective_volume")...)
		}
		f.Evidence = append(f.Evidence, b.lines(b.machineFigures(i), "What it delivers at full load", "full_load_flow")...)
		if band := b.ofMachine(i, "band_seen"); band.has() && *band.Value*1000 < narrowBandPa {
			f.Advice = say("Set a wider band: a lower cut-in, as long as users keep what they need. Then more storage, and see that no filter or check valve stands between the machine's gauge and the receiver. If the machine is much larger than the demand, neither cures it for long.")
		} else {
			f.Advice = say("Add storage: a receiver beside the plant, the dry one for peaks, as large as three to five gallons for each cfm of the machine. See that the machine's own gauge looks at the receiver and no filter or check valve stands between. Inlet valve and contactor wear with every cycle, and the sump never blows down, so that unloaded costs nearly as much as loaded.")
		}
		f.Effect = b.byReplay(system, m.Name, "volume", "volume_add", "cut_in", "cut_out")
		return f
	})
}
