package report

import (
	"fmt"

	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

// stopRules are what stops a machine, starts it unasked, or is due on it.
func stopRules() []Rule {
	return []Rule{
		{
			Name: "faults", About: "The controller told of a fault, or a start failed.",
			Limit:   "a fault code came in the window, or starts_failed is above 0",
			Basis:   "what the machine itself tells",
			Matters: mattersStops, Caution: "Nobody bridges a protection or resets a trip without knowing what it was. " + hotOil, Fires: (*builder).findFaults,
		},
		{
			Name: "restarts", About: "The machine started by itself after a power failure.",
			Limit:   "starts_after_power_failure is above 0",
			Basis:   "what was observed",
			Matters: mattersMachine, Caution: "A machine that restarts after a power failure moves without warning, on people who think it is dead: signs, lock-out and local codes.", Fires: (*builder).findRestarts,
		},
		{
			Name: "service", About: "A service item is overdue.",
			Limit:   "an item is past its hours or its months",
			Basis:   "the site file's service plan and the notes of when it was last done",
			Matters: mattersUpkeep, Caution: hotOil, Fires: (*builder).findService,
		},
	}
}

func (b *builder) findFaults() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		f := &Finding{Title: m.Name + " told of faults"}
		for k := range b.data.Faults {
			of := &b.data.Faults[k]
			if of.Subject != m.Name || of.Times == 0 {
				continue
			}
			name := of.Text
			if name == "" {
				name = "a fault that the register map has no words for"
			}
			times := float64(of.Times)
			f.Evidence = append(f.Evidence, say(fmt.Sprintf("%s (code %s), times: ", display.Capital(name), of.Code),
				Run{Text: fmt.Sprint(of.Times), At: fmt.Sprintf("/data/faults/%d/times", k), Value: &times}))
		}
		if failed := b.ofMachine(i, "starts_failed"); failed.has() && *failed.Value > 0 {
			f.Evidence = append(f.Evidence, b.line("Starts that ended within a minute without load", failed))
		}
		if len(f.Evidence) == 0 {
			return nil
		}
		f.Advice = say("Look what was going on when each came: hour, weather, load, other machines. A fault that comes back at the same hour has a cause that can be found. Ask the maker's service for those that nobody can explain.")
		return f
	})
}

func (b *builder) findRestarts() []Finding {
	return b.eachMachine(func(i int, m *sitefile.Machine) *Finding {
		n := b.ofMachine(i, "starts_after_power_failure")
		if !n.has() || *n.Value <= 0 {
			return nil
		}
		return &Finding{Title: m.Name + " started by itself after power failures", Evidence: []Text{b.line("Starts by itself after a failure", n)},
			Advice: say("Ask whether that is wanted. If it is, there must be signs at the machine, and several machines must not start at one moment: give each its own delay. If it is not, have it set so that somebody must reset it. If the supply fails often, ask the utility, and look what else restarts.")}
	})
}

func (b *builder) findService() []Finding {
	return b.eachMachine(func(_ int, m *sitefile.Machine) *Finding {
		f := &Finding{Title: "Service of " + m.Name + " is overdue"}
		for k := range b.data.Service {
			if b.data.Service[k].Machine != m.Name {
				continue
			}
			for n := range b.data.Service[k].Items {
				it := &b.data.Service[k].Items[n]
				if !it.Overdue {
					continue
				}
				t := say(display.Capital(it.Item) + ": due since " + b.when(it.Due))
				if it.HoursSince != nil {
					at := fmt.Sprintf("/data/service/%d/items/%d/hours_since", k, n)
					t = append(t, Run{Text: "; hours of running since it was done: "}, Run{Text: fmt.Sprintf("%.0f", *it.HoursSince), At: at, Value: it.HoursSince})
				}
				f.Evidence = append(f.Evidence, t)
			}
		}
		if len(f.Evidence) == 0 {
			return nil
		}
		f.Advice = say("Have it done, and write a note of it with the reading of the hour meter (loadscribe note), or the item stays overdue here. If it was done, only the note is missing.")
		return f
	})
}
