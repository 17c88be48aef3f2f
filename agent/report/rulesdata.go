package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
)

// Limits of this file. Common practice, no source.
const (
	notDrawnShare  = 0.8    // of the loaded time
	negativeMS     = 60_000 // what is shorter may be one bad reading
	leastStepMS    = 60_000 // of a clock
	mostUnreadPart = 0.05   // of the window
)

const voltage = "Only licensed people work inside switchgear, and only with it isolated and proved dead; a current transformer is never opened while current flows."

// dataRules are about what the figures rest on.
func dataRules() []Rule {
	return []Rule{
		{
			Name: "wiring", About: "The power meter does not show what the machine takes: a current transformer is turned round, or the phases do not match.",
			Limit:   "the power was below zero for a minute; or for 80 % of the loaded time it stayed below what a loaded machine takes; or the whole interval of isentropic_efficiency lies above 1",
			Basis:   "no machine beats the ideal compression (physics); the shares are common practice, no source",
			Matters: mattersFigures, Caution: voltage, Fires: (*builder).findWiring,
		},
		{
			Name: "meter-setting", About: "A meter is set to other transformers, or another pipe, than those fitted.",
			Limit:   "the site file's settings of an instrument differ from what is fitted",
			Basis:   "the site file",
			Matters: mattersFigures, Caution: voltage, Fires: (*builder).findMeterSetting,
		},
		{
			Name: "clock", About: "The clock of the computer that records was set by a minute or more.",
			Limit:   "an event of the kind clock_step of a minute and more lies in the window",
			Basis:   "common practice, no source",
			Matters: mattersUpkeep, Fires: (*builder).findClock,
		},
		{
			Name: "unread", About: "Much of the window was not observed.",
			Limit:   "more than 5 % of the window is unobserved_time",
			Basis:   "common practice, no source",
			Matters: mattersAir, Fires: (*builder).findUnread,
		},
		{
			Name: "calibration", About: "An instrument that figures rest on is not calibrated, or was found to be off.",
			Limit:   "a finding of the kind instrument that is no meter-setting",
			Basis:   "docs/instruments.md",
			Matters: mattersUpkeep, Fires: (*builder).findCalibration,
		},
	}
}

func (b *builder) findWiring() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		f := &Finding{Title: "The power meter of " + m.Name + " does not show what it takes"}
		loaded := b.ofMachine(i, "loaded_time")
		efficiency := b.ofMachine(i, "isentropic_efficiency")
		fires := efficiency.low() > 1
		for _, d := range b.data.Figures.Machines[i].Findings {
			negative := d.Sign == analysis.SignNegative && d.ForMS >= negativeMS
			notDrawn := d.Sign == analysis.SignNotDrawn && loaded.has() && float64(d.ForMS) >= notDrawnShare*1000**loaded.Value
			if negative || notDrawn {
				fires = true
				f.Evidence = append(f.Evidence, say(sentence(d.Sentence)))
			}
		}
		if !fires {
			return nil
		}
		if power := b.ofMachine(i, "power_loaded"); power.has() {
			f.Evidence = append(f.Evidence, say(b.line("Mean power while loaded", power), "; its nameplate has "+b.shown(m.RatedPowerW, quantity.Power)))
		}
		if efficiency.low() > 1 {
			f.Evidence = append(f.Evidence, b.line("Isentropic efficiency, which no machine brings above one", efficiency))
		}
		f.Advice = say("Have an electrician look at the meter: each current transformer on its own phase, none turned round, its ratio as the meter is set. loadscribe probe --hookup walks through it and names the mistake. Until it is mended take no figure of energy, power or money of this machine for true: what is recorded cannot be put right later if phases were mixed. If the meter proves right, look whether the machine truly loads.")
		return f
	})
}

func (b *builder) findMeterSetting() (all []Finding) {
	b.eachFinding(func(at string, d *analysis.Finding) {
		if d.Sign == analysis.SignSetting {
			all = append(all, Finding{Subject: d.Subject, Title: d.Subject + " is set to other parts than those fitted", Evidence: []Text{say(sentence(d.Sentence))},
				Advice: say("Read the plates of the transformers, or measure the pipe, before anything is changed. Then set the meter; the scale in the register map mends what is recorded already.")})
		}
	})
	return all
}

// eachFinding tells of every finding about the data, machines first; at is the machine
// or system.
func (b *builder) eachFinding(tell func(at string, d *analysis.Finding)) {
	for i := range b.data.Figures.Machines {
		m := &b.data.Figures.Machines[i]
		for k := range m.Findings {
			tell(m.Machine, &m.Findings[k])
		}
	}
	for i := range b.data.Figures.Systems {
		s := &b.data.Figures.Systems[i]
		for k := range s.Findings {
			tell(s.System, &s.Findings[k])
		}
	}
}

// steps is by how much clocks were set in the window, in all, and how it was told.
func (b *builder) steps() (ms float64, told []Text) {
	for i := range b.data.Events {
		e := &b.data.Events[i]
		if e.Kind != "clock_step" {
			continue
		}
		by, err := strconv.ParseFloat(e.Data["step_ms"], 64)
		if err != nil || math.Abs(by) < leastStepMS {
			continue
		}
		ms += math.Abs(by)
		told = append(told, say(b.whenMS(e.WallMS)+": "+e.Text))
	}
	return ms, told
}

func (b *builder) findClock() []Finding {
	_, told := b.steps()
	if len(told) == 0 {
		return nil
	}
	return []Finding{{Subject: "agent", Title: "The clock of the computer that records was set", Evidence: told,
		Advice: say("Let the computer keep its clock by a time server, or set it once and leave it. Durations and order are right all the same; what goes by the hour of the day, such as shifts, tariffs and nights, may lie beside it by as much as the clock was off.")}}
}

func (b *builder) findUnread() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		seen, unseen := b.ofMachine(i, "observed_time"), b.ofMachine(i, "unobserved_time")
		if !seen.has() || !unseen.has() || *unseen.Value <= mostUnreadPart*(*seen.Value+*unseen.Value) {
			return nil
		}
		f := &Finding{Title: "Much of the window was not observed", Evidence: b.lines(b.machineFigures(i), "Observed", "observed_time", "Not observed", "unobserved_time")}
		for k := range b.data.Gaps {
			g := &b.data.Gaps[k]
			if k == 3 {
				break
			}
			f.Evidence = append(f.Evidence, say(fmt.Sprintf("%s from %s to %s: %s", g.Device, b.when(g.From), b.when(g.To), g.Reason)))
		}
		f.Advice = say("Take no decision about money from this window. Mend what broke off, cable, port, supply of the computer, and record one whole week that is like the others; what the gaps were stands in the part on coverage.")
		return f
	})
}

func (b *builder) findCalibration() []Finding {
	f := Finding{Subject: b.data.Site.Name, Title: "Instruments are not proved to be right"}
	b.eachFinding(func(_ string, d *analysis.Finding) {
		if d.Kind == "instrument" && d.Sign != analysis.SignSetting {
			f.Evidence = append(f.Evidence, say(sentence(d.Sentence)))
		}
	})
	if len(f.Evidence) == 0 {
		return nil
	}
	f.Advice = say("Have the instruments calibrated on which money rests, first the power meter, and keep what was found before anything was adjusted. Write the day into the site file.")
	return []Finding{f}
}

// claimed reports findings about the data that a rule has told of already.
func (b *builder) claimed(at string, d *analysis.Finding) bool {
	switch {
	case d.Kind == "missing" || d.Kind == "instrument":
		return true // coverage, and calibration or meter-setting
	case d.Sign == analysis.SignNotDrawn || d.Sign == analysis.SignNegative:
		return b.found("wiring", at) || b.found("inlet-valve", at)
	case d.Sign == analysis.SignDrawn || d.Sign == analysis.SignIgnored:
		return b.found("inlet-valve", at)
	case d.Sign == analysis.SignStill: // of a valve that does not open no loaded hours come
		return b.found("inlet-valve", at)
	}
	return false
}

// sensorRule is asked after the machines' own: what a machine's fault explains is no
// sensor's.
func sensorRule() Rule {
	return Rule{
		Name: "sensors", About: "Readings contradict each other, cannot be, or do not move.",
		Limit:   "a finding of the kind stuck, contradictory or impossible that no other rule explains",
		Basis:   "common practice, no source (the times are in docs/figures.md and the sentence)",
		Matters: mattersUpkeep, Fires: (*builder).findSensors,
	}
}

func (b *builder) findSensors() (all []Finding) {
	b.eachFinding(func(at string, d *analysis.Finding) {
		if b.claimed(at, d) {
			return
		}
		evidence := say(sentence(d.Sentence))
		for i := range all {
			if all[i].Subject == at {
				all[i].Evidence = append(all[i].Evidence, evidence)
				return
			}
		}
		all = append(all, Finding{Subject: at, Title: "Readings of " + at + " cannot all be right", Evidence: []Text{evidence},
			Advice: say("Hold the channel against a gauge or against the machine's own display, then look at wire, register and scale. loadscribe probe shows the registers as they come. Figures that rest on it are as wrong as it is.")})
	})
	return all
}

// firstClause is a remark without its advice, which the finding has in its own words.
func firstClause(s string) string {
	first, _, _ := strings.Cut(s, "; ")
	return sentence(first)
}
