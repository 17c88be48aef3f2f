package replaytruth

import (
	"slices"
	"time"

	"loadscribe/simulator"
)

const (
	psi = 6894.757293168
	cfm = 0.3048 * 0.3048 * 0.3048 / 60
	gal = 3.785411784e-3
)

type edit = func(*simulator.Scenario)

// both does edits one after another.
func both(edits ...edit) edit {
	return func(s *simulator.Scenario) {
		for _, e := range edits {
			e(s)
		}
	}
}

// machine edits the machine of a name.
func machine(name string, e func(*simulator.Machine)) edit {
	return func(s *simulator.Scenario) {
		for i := range s.Machines {
			if s.Machines[i].Name == name {
				e(&s.Machines[i])
			}
		}
	}
}

func band(name string, in, out float64) edit {
	return machine(name, func(m *simulator.Machine) { m.CutInPa, m.CutOutPa = in*psi, out*psi })
}

func timer(name string, d time.Duration) edit {
	return machine(name, func(m *simulator.Machine) { m.NoLoadStop = d })
}

func guard(name string, d time.Duration) edit {
	return machine(name, func(m *simulator.Machine) { m.LeastStarts = d })
}

// schedule sets when comp1 may run; none: always.
func schedule(windows ...string) edit {
	return machine("comp1", func(m *simulator.Machine) {
		m.Schedule = nil
		for _, text := range windows {
			m.Schedule = append(m.Schedule, window(text))
		}
	})
}

func window(text string) simulator.Window {
	w, err := simulator.ParseWindow(text)
	if err != nil {
		panic("replaytruth: " + err.Error())
	}
	return w
}

// volume sets the volume of the part of a name, US gallons.
func volume(part string, gallons float64) edit {
	return func(s *simulator.Scenario) {
		for i := range s.Parts {
			if s.Parts[i].Name == part {
				s.Parts[i].VolumeM3 = gallons * gal
			}
		}
	}
}

// leaks scales what leaks.
func leaks(share float64) edit {
	return func(s *simulator.Scenario) { s.Leak.FlowM3S *= share }
}

// leaking sets what leaks at 100 psi.
func leaking(cfmAt100 float64) edit {
	return func(s *simulator.Scenario) { s.Leak.FlowM3S, s.Leak.AtPa, s.Leak.Growth = cfmAt100*cfm, 100*psi, 0 }
}

// crowd adds twenty equal users who take a flow between them in the mean, which
// twenty keep steady, by the clock.
func crowd(name string, flowCFM float64, when ...string) edit {
	return func(s *simulator.Scenario) {
		u := simulator.User{Name: name, Count: 20, FlowM3S: flowCFM / 10 * cfm, RegulatedPa: 80 * psi, On: time.Minute, Rest: time.Minute}
		for _, text := range when {
			u.When = append(u.When, window(text))
		}
		s.Users = append(s.Users, u)
	}
}

// steadily has forty users take a flow between them day and night, who hardly rest;
// through orifices that let it through at 105 psi, or through regulators.
func steadily(flowCFM float64, orifices bool) edit {
	return func(s *simulator.Scenario) {
		u := simulator.User{Name: "line", Count: 40, FlowM3S: flowCFM / 40 * cfm, RegulatedPa: 80 * psi, On: 4 * time.Hour, Rest: time.Second, Always: true}
		if orifices {
			u.RegulatedPa, u.AtPa = 0, 105*psi
		}
		s.Users = []simulator.User{u}
	}
}

// without takes a user away who is the last of the list: those behind him would
// come at other times.
func without(name string) edit {
	return func(s *simulator.Scenario) {
		last := len(s.Users) - 1
		if s.Users[last].Name != name {
			panic("replaytruth: " + name + " is not the last user")
		}
		s.Users = slices.Clone(s.Users[:last])
	}
}

// regulated gives every user a regulator, or takes it from everybody: then what
// they take follows the pressure.
func regulated(all bool) edit {
	return func(s *simulator.Scenario) {
		for i := range s.Users {
			u := &s.Users[i]
			if all {
				u.RegulatedPa = 70 * psi
			} else {
				u.RegulatedPa, u.AtPa = 0, 100*psi
			}
		}
	}
}

// controlled gives comp1 a control kind with what the simulator asks of it.
func controlled(kind string) edit {
	return machine("comp1", func(m *simulator.Machine) {
		m.Control, m.ModulationPa, m.LeastShare, m.TargetPa = kind, 0, 0, 0
		switch kind {
		case "modulating":
			m.ModulationPa = 12 * psi
		case "modulate then unload":
			m.ModulationPa, m.LeastShare = 12*psi, 0.4
		case "variable displacement":
			m.ModulationPa, m.LeastShare = 12*psi, 0.3
		case "variable speed":
			m.Motor.Starting, m.Motor.WyeTime = "drive", 0
			m.Motor.LoadDelay = 4 * time.Second
		}
	})
}

// driven puts a drive before comp1, which then holds a target. share is the least
// of its flow, and becomes a speed as docs/simulator.md says. The package takes what
// it took and the drive's loss: 4 % of what passes at full load (common practice:
// 3 to 5 %).
func driven(targetPSI, share float64) edit {
	return both(controlled("variable speed"), machine("comp1", func(m *simulator.Machine) {
		m.TargetPa, m.LeastShare = targetPSI*psi, 0.06+0.94*share
		m.RatedPowerW += 0.04 * (m.RatedPowerW - m.FanW - m.ControlsW)
	}))
}

// sized makes comp1 another machine: rated flow and package input at 125 psi, a
// motor that fits, a true flow of its own; everything that grows with size in
// proportion.
func sized(flowCFM, powerKW, motorHP, trueFlow float64) edit {
	return machine("comp1", func(m *simulator.Machine) {
		k := flowCFM * cfm / m.RatedFlowM3S
		m.RatedFlowM3S, m.RatedPowerW, m.RatedPressurePa = flowCFM*cfm, powerKW*1e3, 125*psi
		m.Motor.PowerW, m.FlowFactor = motorHP*745.7, trueFlow
		m.FanW, m.SumpM3 = m.FanW*k, m.SumpM3*k
	})
}

// twins takes the variable-speed machine away from the works in three shifts, and
// with it the turns: two base machines are left.
func twins(s *simulator.Scenario) {
	s.Machines = slices.DeleteFunc(s.Machines, func(m simulator.Machine) bool { return m.Name == "trim" })
	s.Devices = slices.DeleteFunc(s.Devices, func(d simulator.Device) bool { return d.Machine == "trim" })
	s.Rotation = simulator.Rotation{}
}

// turns lets base1 and base2 take turns.
func turns(every time.Duration, offsetPSI float64) edit {
	return func(s *simulator.Scenario) {
		s.Rotation = simulator.Rotation{Machines: []string{"base1", "base2"}, Every: every, OffsetPa: offsetPSI * psi}
	}
}

// taking sets comp1's package input at its rated flow and pressure, its drive's
// loss within.
func taking(powerKW float64) edit {
	return machine("comp1", func(m *simulator.Machine) { m.RatedPowerW = powerKW * 1e3 })
}
