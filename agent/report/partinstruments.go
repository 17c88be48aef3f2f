package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"loadscribe/agent/display"
	"loadscribe/agent/sitefile"
)

// instruments are the records of what measured, and their checks as found and as left.
func (b *builder) instruments() Section {
	s := Section{ID: "instruments", Title: "Instruments", Level: 2}
	all := b.data.Figures.Instruments
	if len(all) == 0 {
		s.Blocks = append(s.Blocks, gap("No instrument is on record", "the site file names no device with a channel that is measured"))
		return s
	}
	s.Blocks = append(s.Blocks, para("What plates and certificates say, by the site file; nothing is corrected by it. Where no accuracy is stated one is assumed, and the figure's inputs name that."))
	t := &Table{Caption: "Instruments, their accuracy and calibration", Columns: []Column{{Head: "Instrument"}, {Head: "Serial, certificate"}, {Head: "Calibration", Weight: 1.4}, {Head: "Accuracy", Weight: 1.6}, {Head: "Figures on it"}}}
	for i := range all {
		f := &all[i]
		t.Rows = append(t.Rows, []Text{say(f.Subject), say(orDash(together(f.Serial, f.Certificate))), say(f.CalibrationText()), say(accuracyWords(f)), say(fmt.Sprint(len(f.Figures)))})
	}
	s.Blocks = append(s.Blocks, Block{Table: t})
	if list := settingsSaid(all); len(list) > 0 {
		s.Blocks = append(s.Blocks, Block{List: list})
	}
	if t := checkTable(all); t != nil {
		s.Blocks = append(s.Blocks, Block{Table: t})
	} else {
		s.Blocks = append(s.Blocks, para("The site file has no check of an instrument against a reference, as found or as left."))
	}
	return s
}

func together(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), ", ")
}

// accuracyWords is what is stated of each quantity.
func accuracyWords(f *sitefile.InstrumentFacts) string {
	var all []string
	for _, key := range slices.Sorted(maps.Keys(f.Accuracy)) {
		all = append(all, key+" ±"+f.Accuracy[key])
	}
	for _, key := range slices.Sorted(maps.Keys(f.Span)) {
		all = append(all, "span of "+key+" "+f.Span[key])
	}
	if f.FlowMeter != "" {
		all = append(all, string(f.FlowMeter)+" flow meter")
	}
	if len(all) == 0 {
		return "not stated: one is assumed"
	}
	return strings.Join(all, "; ")
}

// settingsSaid are transformers and bores: what is fitted, and what the meter is set to.
func settingsSaid(all []sitefile.InstrumentFacts) (list []Text) {
	for i := range all {
		f := &all[i]
		for _, s := range []struct {
			name string
			of   *sitefile.SettingFacts
			at   string
		}{{"current transformers", f.CurrentTransformer, "current_transformer"}, {"voltage transformers", f.VoltageTransformer, "voltage_transformer"}, {"pipe bore", f.PipeBore, "pipe_bore"}} {
			if s.of == nil {
				continue
			}
			t := say(fmt.Sprintf("%s: %s %s", f.Subject, s.name, s.of.Fitted))
			if s.of.Meter == "" {
				t = append(t, Run{Text: "; nothing says what the meter is set to."})
			} else {
				t = append(t, Run{Text: "; the meter is set to " + s.of.Meter + ": what is true is its reading × "},
					Run{Text: fmt.Sprintf("%.4g", s.of.Factor), At: fmt.Sprintf("/data/figures/instruments/%d/%s/factor", i, s.at), Value: &s.of.Factor}, Run{Text: "."})
			}
			list = append(list, t)
		}
	}
	return list
}

// checkTable has the checks as found and as left; nil: none.
func checkTable(all []sitefile.InstrumentFacts) *Table {
	t := &Table{Caption: "Checks against a reference, as found and as left", Columns: []Column{{Head: "Instrument", Weight: 1.2}, {Head: "Day"}, {Head: "Reference", Weight: 1.3}, {Head: "As found", Weight: 1.2}, {Head: "Off as found", Number: true}, {Head: "As left", Weight: 1.2}, {Head: "Off as left", Number: true}, {Head: "Its accuracy allows", Number: true}, {Head: "So", Weight: 1.2}}}
	for i := range all {
		for k := range all[i].Checks {
			c := &all[i].Checks[k]
			at := fmt.Sprintf("/data/figures/instruments/%d/checks/%d", i, k)
			of := all[i].Subject
			if len(c.Channels) == 1 {
				of = c.Channels[0]
			}
			number := func(v *float64, name, before string) Text {
				if v == nil {
					return say("–")
				}
				shown := display.Rounded(*v, 4)
				shown = strings.TrimRight(strings.TrimRight(shown, "0"), ".")
				if before == "" && *v > 0 {
					before = "+"
				}
				return Text{{Text: before}, {Text: shown, At: at + "/" + name, Value: v}, {Text: " " + c.Unit}}
			}
			left := c.Left
			if left == "" {
				left = "not adjusted"
			}
			t.Rows = append(t.Rows, []Text{say(of), say(c.On), say(together(c.Reference, c.Against)), say(c.Found), number(&c.OffAsFound, "off_as_found", ""),
				say(left), number(c.OffAsLeft, "off_as_left", ""), number(c.Allowed, "allowed", "± "), say(checkVerdict(c))})
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

// checkVerdict is what a check comes to.
func checkVerdict(c *sitefile.CheckFacts) string {
	switch {
	case c.Allowed == nil:
		return "no accuracy is stated to hold it to"
	case c.OffAsLeft != nil && sitefile.Exceeds(*c.OffAsLeft, *c.Allowed):
		return "left off"
	case sitefile.Exceeds(c.OffAsFound, *c.Allowed) && c.OffAsLeft != nil:
		return "found off, then adjusted"
	case sitefile.Exceeds(c.OffAsFound, *c.Allowed):
		return "found off, and left so"
	}
	return "within its accuracy"
}
