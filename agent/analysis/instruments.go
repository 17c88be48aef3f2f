package analysis

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
)

// findingInstrument is what the record of an instrument leaves open or
// contradicts.
const findingInstrument = "instrument"

// isMoney reports a figure that a decision about money goes by.
func isMoney(name string) bool {
	return name == "energy_cost" || name == "demand_cost" || name == "leak_cost"
}

// instruments lists the instruments of the report's figures, and adds a finding to
// the machine, or else the system, whose figures rest on one that cannot be
// relied on. Nothing is corrected by a record.
func (rep *Report) instruments(site *sitefile.Site, from, to, now int64) {
	var all [][]Figure
	for i := range rep.Machines {
		all = append(all, rep.Machines[i].Figures)
	}
	for i := range rep.Systems {
		all = append(all, rep.Systems[i].Figures)
	}
	on := restings(all...)
	at := func(ms int64) time.Time { return time.UnixMilli(ms).In(site.Location) }
	rep.Instruments = []sitefile.InstrumentFacts{}
	for _, r := range site.Instruments() {
		u := use{rec: &r, rep: rep, on: on, from: from, to: to, standing: r.Standing(at(to), at(now))}
		facts := r.Facts(u.standing)
		facts.Figures = u.figures(r.Of)
		rep.Instruments = append(rep.Instruments, facts)
		u.calibration(site)
		u.settings()
		u.checks(site)
	}
}

// use is one instrument in a report.
type use struct {
	rec      *sitefile.InstrumentRecord
	rep      *Report
	on       map[string][]string // see restings
	from, to int64
	standing sitefile.Standing
}

// calibration tells of one that does not cover the window's end.
func (u *use) calibration(site *sitefile.Site) {
	rests := u.figures(u.rec.Of)
	money := slices.DeleteFunc(slices.Clone(rests), func(name string) bool { return !isMoney(name) })
	from := u.from
	said, does := "", "Have it calibrated, and write the day on the certificate into calibrated of its instrument in the site file"
	switch u.standing {
	case sitefile.Expired:
		said = fmt.Sprintf("its calibration ended on %s, and nothing proves its accuracy after that day", u.rec.Until)
		if end, err := time.ParseInLocation(time.DateOnly, u.rec.Until, site.Location); err == nil {
			from = max(from, end.AddDate(0, 0, 1).UnixMilli())
		}
	case sitefile.InFuture:
		said, does = fmt.Sprintf("the site file has it calibrated on %s, a day that is yet to come", u.rec.Calibrated), "Correct calibrated of its instrument by the certificate"
	case sitefile.NoDate:
		rests, said = money, "the site file has no day of its calibration, so that its accuracy is a claim"
	case sitefile.Later:
		rests, said = money, fmt.Sprintf("it was calibrated on %s only, after this window", u.rec.Calibrated)
		does = "Keep what that calibration found before anything was adjusted, or the certificate that held before: the site file of then is among the events of the kind config"
	}
	if said == "" || len(rests) == 0 {
		return
	}
	facts := u.rec.Facts(u.standing)
	u.tell(from, rests, said+". "+does, facts.CalibrationText(), "")
}

// settings tells of transformers and bores that the meter is not set to, once for
// each setting.
func (u *use) settings() {
	of := map[*sitefile.Setting][]*sitefile.MapChannel{}
	var order []sitefile.NamedSetting
	for _, c := range u.rec.Of {
		for _, s := range u.rec.Device.SettingsOf(c) {
			if !s.Differs() {
				continue
			}
			if of[s.Setting] == nil {
				order = append(order, s)
			}
			of[s.Setting] = append(of[s.Setting], c)
		}
	}
	for _, s := range order {
		rests := u.figures(of[s.Setting])
		if len(rests) == 0 {
			continue
		}
		names := make([]string, len(of[s.Setting]))
		for i, c := range of[s.Setting] {
			names[i] = c.Name
		}
		what := map[string]string{"current_transformer": "the current transformers are %s, and the meter is set to %s",
			"voltage_transformer": "the voltage transformers are %s, and the meter is set to %s",
			"pipe_bore":           "the pipe's bore is %s, and the meter has %s (a flow goes by its square)"}[s.Key]
		said := fmt.Sprintf(what+": what is true is the reading of %s × %.4g, and nothing is corrected. Set the meter right; or, which mends what is recorded too, multiply scale of these channels in the map by %.4g, and write what that amounts to as meter",
			s.Fitted, s.Meter, strings.Join(names, ", "), s.Factor, s.Factor)
		u.tell(u.from, rests, said, fmt.Sprintf("%s %s, meter %s", s.Key, s.Fitted, s.Meter), SignSetting)
	}
}

// tell adds a finding to the first machine whose figures are concerned, else to
// the first system.
func (u *use) tell(from int64, rests []string, said, evidence string, sign Sign) {
	serial := ""
	if u.rec.Serial != "" {
		serial = " (serial " + u.rec.Serial + ")"
	}
	f := Finding{Kind: findingInstrument, Subject: u.rec.Subject, From: stamp(from), To: stamp(u.to), Figures: rests, Sign: sign,
		Sentence: fmt.Sprintf("%s%s: %s. What rests on it: %s.", u.rec.Subject, serial, said, namedFew(rests)), Evidence: []string{evidence}}
	concerned := func(figures []Figure) bool {
		on := restings(figures)
		return slices.ContainsFunc(u.names(u.rec.Of), func(name string) bool { return len(on[name]) > 0 })
	}
	for i := range u.rep.Machines {
		if m := &u.rep.Machines[i]; concerned(m.Figures) {
			m.Findings = append(m.Findings, f)
			return
		}
	}
	for i := range u.rep.Systems {
		if s := &u.rep.Systems[i]; concerned(s.Figures) {
			s.Findings = append(s.Findings, f)
			return
		}
	}
}

// namedFew names the figures, money first, and counts those beyond four.
func namedFew(names []string) string {
	const most = 4
	names = slices.Clone(names)
	slices.SortStableFunc(names, func(a, b string) int {
		switch {
		case isMoney(a) == isMoney(b):
			return 0
		case isMoney(a):
			return -1
		}
		return 1
	})
	if len(names) > most+1 {
		names = append(names[:most:most], fmt.Sprintf("%d more", len(names)-most))
	}
	return listed(names)
}

// figures are the names of those that rest on any of the channels.
func (u *use) figures(channels []*sitefile.MapChannel) []string {
	rests := map[string]bool{}
	for _, name := range u.names(channels) {
		for _, figure := range u.on[name] {
			rests[figure] = true
		}
	}
	if len(rests) == 0 {
		return nil
	}
	return slices.DeleteFunc(figureNames(), func(name string) bool { return !rests[name] })
}

// names is what inputs and budgets call the channels.
func (u *use) names(channels []*sitefile.MapChannel) []string {
	var all []string
	for _, c := range channels {
		spec := chanSpec{id: u.rec.Device.Name + "." + c.Name, device: u.rec.Device.Name, unit: c.Unit, accuracyGiven: true}
		if own := u.rec.Device.Instrument.Channels[c.Name]; own != nil {
			spec.ownAccuracy = own.Accuracy[c.Unit.Dimension.String()].Text != ""
		}
		all = append(all, spec.id, strings.TrimPrefix(accuracyInput(&spec), accuracyOf))
	}
	return all
}

// restings are the names of figures by what their inputs and budgets call the
// channels.
func restings(lists ...[]Figure) map[string][]string {
	on := map[string][]string{}
	for _, figures := range lists {
		for i := range figures {
			f := &figures[i]
			if f.Value == nil {
				continue
			}
			add := func(input string) {
				input, _, _ = strings.Cut(strings.TrimPrefix(input, accuracyOf), " (")
				for _, name := range strings.Split(input, " × ") { // of reckoned power
					on[name] = append(on[name], f.Name)
				}
			}
			for _, in := range f.Inputs {
				add(in)
			}
			for _, p := range f.Budget {
				add(p.Input)
			}
		}
	}
	return on
}
