package replay

import (
	"fmt"

	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/configs"
)

// Examples are the invented machines of configs/replay/machines.toml.
func Examples() ([]Listed, error) {
	return ParseMachines("configs/replay/machines.toml", configs.Machines)
}

// ReadMachines reads a list of machines. The error is of type sitefile.Problems.
func ReadMachines(path string) ([]Listed, error) {
	doc, err := sitefile.OpenDocument(path, "name an existing list of machines; configs/replay/machines.toml shows how one is written")
	if err != nil {
		return nil, err
	}
	return listOfMachines(doc)
}

// ParseMachines is ReadMachines for a text that has been read.
func ParseMachines(path string, data []byte) ([]Listed, error) {
	doc, err := sitefile.ParseDocument(path, data)
	if err != nil {
		return nil, err
	}
	return listOfMachines(doc)
}

func listOfMachines(doc *sitefile.Document) ([]Listed, error) {
	var all []Listed
	taken := map[string]bool{}
	for _, s := range doc.Subs("machine") {
		m := readListed(s)
		if m.ID != "" && taken[m.ID] {
			s.Problem("id", "give each its own", "the id %q is used twice", m.ID)
		}
		taken[m.ID] = true
		all = append(all, m)
	}
	if len(all) == 0 {
		doc.Section.Problem("machine", "write a table [[machine]] for each; configs/replay/machines.toml shows how", "the list has no machine")
	}
	doc.Done()
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return all, nil
}

// checkListed refuses machines of a list that nobody could have read from a data
// sheet: a request brings its own, which no file's reader has seen.
func checkListed(all []Listed) error {
	taken := map[string]bool{}
	for i := range all {
		m := &all[i]
		wrong := func(key, format string, args ...any) error {
			return refuse(fmt.Sprintf("machines[%d].%s", i, key), format, args...)
		}
		switch _, err := controlOf("", m.Control); {
		case m.ID == "":
			return wrong("id", "it is empty; give each machine its own")
		case taken[m.ID]:
			return wrong("id", "%q is used twice; give each machine its own", m.ID)
		case err != nil:
			return wrong("control", "%s", messageOf(err))
		}
		taken[m.ID] = true
		for _, c := range []struct {
			key            string
			v, least, most float64
		}{
			{"rated_flow_m3s", m.RatedFlowM3S, leastFlowM3S, mostFlowM3S},
			{"rated_pressure_pa", m.RatedPressurePa, leastPa, mostPa},
			{"rated_power_w", m.RatedPowerW, leastPowerW, mostPowerW},
			{"least_share", m.LeastShare, 0, 0.95},
			{"unloaded_share", m.UnloadedShare, 0, 0.99},
			{"motor_power_w", m.MotorPowerW, 0, mostPowerW},
			{"starts_per_hour", m.StartsPerHour, 0, 3600},
		} {
			if !(c.v >= c.least && c.v <= c.most) {
				return wrong(c.key, "%g of %q is out of range: it goes from %g to %g", c.v, m.ID, c.least, c.most)
			}
		}
	}
	return nil
}

func readListed(s sitefile.Section) Listed {
	m := Listed{
		ID:              s.Ident("id", `name it, like id = "screw-37"`),
		About:           s.Text("about", ""),
		Control:         s.Choice("control", string(sitefile.LoadUnload), controls...),
		RatedFlowM3S:    s.Positive("rated_flow", quantity.Flow),
		RatedPressurePa: s.Positive("rated_pressure", quantity.Pressure),
		RatedPowerW:     s.Positive("rated_power", quantity.Power),
		LeastShare:      s.Positive("least_share", quantity.Ratio),
		MotorPowerW:     s.Positive("motor_power", quantity.Power),
		StartsPerHour:   s.Number("starts_per_hour", 0),
	}
	unloaded := s.Positive("unloaded_power", quantity.Power)
	for _, need := range []struct {
		key, mend string
		value     float64
	}{
		{"rated_flow", `write the free air delivered, like rated_flow = "185 cfm"`, m.RatedFlowM3S},
		{"rated_pressure", `write the pressure at which it delivers that, like rated_pressure = "125 psi"`, m.RatedPressurePa},
		{"rated_power", `write the whole machine's input at that flow and pressure, like rated_power = "37 kW"`, m.RatedPowerW},
	} {
		if need.value == 0 && !s.Has(need.key) {
			s.Problem(need.key, need.mend, "%q is missing", need.key)
		}
	}
	if q, err := quantity.ParseDim(s.Text("rated_flow", ""), quantity.Flow); err == nil && q.Unit.Basis != quantity.FreeAir {
		s.Problem("rated_flow", "write free air at the inlet, like \"185 cfm\" or \"5.2 m³/min\"", "%s is counted in another condition", q)
	}
	if q, err := quantity.ParseDim(s.Text("rated_pressure", ""), quantity.Pressure); err == nil && q.Unit.Absolute {
		s.Problem("rated_pressure", "write it as a gauge pressure", "%s is absolute", q)
	}
	if m.LeastShare > 0.95 {
		s.Problem("least_share", "write it as a share of the full flow, like \"25 %\"", "that leaves nothing to follow the demand with")
	}
	if m.StartsPerHour < 0 {
		s.Problem("starts_per_hour", "write the motor's greatest number of starts an hour", "%g is below zero", m.StartsPerHour)
	}
	if m.RatedPowerW > 0 {
		m.UnloadedShare = unloaded / m.RatedPowerW
	}
	if m.UnloadedShare >= 1 {
		s.Problem("unloaded_power", "write what it takes while it runs without load", "that is not below the rated power")
	}
	s.Done()
	return m
}
