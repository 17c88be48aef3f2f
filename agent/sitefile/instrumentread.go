package sitefile

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"loadscribe/agent/quantity"
)

const (
	ratioForm = `write it like { fitted = "200/5", meter = "200/5" }: the ratio on the transformers' plate, and the one that the meter is set to`
	boreForm  = `write it like { measured = "52.5 mm", meter = "52.5 mm" }: the pipe's inner diameter, and the one entered in the meter`
	spanForm  = `write it like "0 to 16 bar"`
	// mostMonths is more than any calibration is good for.
	mostMonths = 240
)

// instrument reads what is known of a device's metrology.
func (s *section) instrument(key string, d *Device) Instrument {
	var inst Instrument
	t := s.sub(key)
	if t == nil {
		return inst
	}
	t.calibration(&inst)
	t.flowMeter(&inst)
	if acc := t.sub("accuracy"); acc != nil {
		inst.Accuracy = byDimension(acc, accuracyForm, parseAccuracy)
	}
	if span := t.sub("span"); span != nil {
		inst.Span = byDimension(span, spanForm, parseSpan)
	}
	inst.Current, inst.Voltage = t.transformer("current_transformer"), t.transformer("voltage_transformer")
	inst.PipeBore = t.bore()
	inst.Checks = t.checks(d.units())
	if channels := t.sub("channels"); channels != nil {
		inst.Channels = map[string]*Instrument{}
		for i := range channels.table.entries {
			name := channels.table.entries[i].key
			if own := channels.sub(name); own != nil {
				inst.Channels[name] = own.channelInstrument(name, d)
			}
		}
		channels.done()
	}
	t.done()
	return inst
}

// channelInstrument reads the record of a single channel.
func (s *section) channelInstrument(name string, d *Device) *Instrument {
	inst := &Instrument{}
	s.calibration(inst)
	s.flowMeter(inst)
	inst.PipeBore = s.bore()
	accuracy, span := s.text("accuracy", ""), s.text("span", "")
	var c *MapChannel
	var of []quantity.Unit
	if d.Map != nil {
		if c = d.mapChannel(name); c != nil {
			of = []quantity.Unit{c.Unit}
		}
	}
	inst.Checks = s.checks(of)
	s.done()
	if d.Map == nil {
		return inst
	}
	if c == nil {
		if d.Map.partial {
			return inst
		}
		mend := "see the channels in " + d.Map.Path
		if near := quantity.Nearest(name, d.Map.channelNames()); near != "" {
			mend = fmt.Sprintf("did you mean %q?", near)
		}
		s.problem(s.table.at, "", mend, "device %q has no channel %q", d.Name, name)
		return inst
	}
	dim := c.Unit.Dimension
	inst.Accuracy = parsed(s, "accuracy", accuracy, dim, accuracyForm, parseAccuracy)
	inst.Span = parsed(s, "span", span, dim, spanForm, parseSpan)
	if dim != quantity.Flow && dim != quantity.Volume {
		for _, key := range []string{"flow_meter", "pipe_bore"} {
			if e := s.table.find(key); e != nil {
				s.problem(e.at, key, "write it at the channel of a flow, or leave it out", "channel %q is no flow", name)
			}
		}
	}
	return inst
}

func (d *Device) mapChannel(name string) *MapChannel {
	for i := range d.Map.Channels {
		if d.Map.Channels[i].Name == name {
			return &d.Map.Channels[i]
		}
	}
	return nil
}

func (m *RegisterMap) channelNames() []string {
	names := make([]string, len(m.Channels))
	for i := range m.Channels {
		names[i] = m.Channels[i].Name
	}
	return names
}

// calibration reads serial number, certificate and dates.
func (s *section) calibration(inst *Instrument) {
	inst.Serial, inst.Certificate = s.plate("serial"), s.plate("certificate")
	inst.Calibrated, inst.Until = s.date("calibrated"), s.date("calibrated_until")
	months := s.integer("calibration_months", 0, 1, mostMonths, "write how many months a calibration holds, like 12")
	switch e := s.table.find("calibration_months"); {
	case months > 0 && inst.Until != "":
		s.problem(e.at, "calibration_months", "keep one of the two", "calibration_months and calibrated_until both say how long the calibration holds")
	case months > 0 && inst.Calibrated == "":
		s.problem(e.at, "calibration_months", `add calibrated = "2026-03-02", the day on its certificate`, "months from no day")
	case months > 0:
		inst.Until = monthsAfter(inst.Calibrated, int(months))
	case inst.Until != "" && inst.Until < inst.Calibrated:
		s.problem(s.table.find("calibrated_until").value.at, "calibrated_until", "correct one of the two days",
			"%s is before the calibration on %s", inst.Until, inst.Calibrated)
	case inst.Calibrated != "" && inst.Until == "":
		s.warn(s.table.find("calibrated").at, "calibrated", "add calibration_months or calibrated_until, so that its end is noticed",
			"nothing says how long the calibration of %s holds", inst.Calibrated)
	}
}

// monthsAfter is the same day so many months later, or the last of a shorter
// month.
func monthsAfter(date string, months int) string {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return "" // a problem already
	}
	later := t.AddDate(0, months, 0)
	if later.Day() != t.Day() {
		later = later.AddDate(0, 0, -later.Day())
	}
	return later.Format(time.DateOnly)
}

// plate is a number as on an instrument's plate or certificate.
func (s *section) plate(key string) string {
	got := s.text(key, "")
	if len(got) > 100 || strings.ContainsFunc(got, func(r rune) bool { return !strconv.IsPrint(r) }) {
		s.problem(s.table.find(key).value.at, key, "write it as on the plate, up to 100 bytes in one line", "%q is too long or has signs that cannot be printed", got)
		return ""
	}
	return strings.TrimSpace(got)
}

func (s *section) flowMeter(inst *Instrument) {
	inst.FlowMeter = FlowMeter(s.choice("flow_meter", "", string(ThermalMass), string(DifferentialPressure), string(Vortex),
		string(Turbine), string(Ultrasonic), string(PositiveDisplacement)))
}

// byDimension reads a table whose keys are dimensions.
func byDimension[T any](t *section, form string, parse func(string, quantity.Dimension) (T, error)) map[string]T {
	all := map[string]T{}
	for _, d := range accuracyDimensions {
		for word, v := range parsed(t, d.String(), t.text(d.String(), ""), d, form, parse) {
			all[word] = v
		}
	}
	t.done()
	return all
}

// parsed reads a text of a dimension; nil where it is empty or wrong.
func parsed[T any](s *section, key, text string, d quantity.Dimension, form string, parse func(string, quantity.Dimension) (T, error)) map[string]T {
	if text == "" {
		return nil
	}
	v, err := parse(text, d)
	if err != nil {
		s.problem(s.table.find(key).value.at, key, form, "%v", err)
		return nil
	}
	return map[string]T{d.String(): v}
}

// parseSpan reads "0 to 16 bar" or "-20 °C to 120 °C".
func parseSpan(text string, d quantity.Dimension) (Span, error) {
	low, high, ok := strings.Cut(text, " to ")
	if !ok {
		return Span{}, fmt.Errorf("%q is not a range", text)
	}
	top, err := quantity.ParseDim(high, d)
	if err != nil {
		return Span{}, err
	}
	bottom := top
	if v, err := strconv.ParseFloat(strings.TrimSpace(low), 64); err == nil {
		bottom.Value = v
	} else if bottom, err = quantity.ParseDim(low, d); err != nil {
		return Span{}, err
	}
	width := top.SI() - bottom.SI()
	if top.Unit.Absolute != bottom.Unit.Absolute {
		return Span{}, fmt.Errorf("%q is from a gauge pressure to an absolute one, or the other way round", text)
	}
	if !(width > 0) {
		return Span{}, fmt.Errorf("%q does not rise", text)
	}
	return Span{WidthSI: width, Text: text}, nil
}

// transformer reads the ratio on the plate and the one in the meter.
func (s *section) transformer(key string) *Setting {
	t := s.sub(key)
	if t == nil {
		return nil
	}
	fitted, ok := t.twoSettings("fitted", ratioForm, parseRatio)
	if !ok {
		return nil
	}
	fitted.Exactly = true
	return s.told(key, fitted)
}

// bore reads the pipe's inner diameter as measured and as entered in the meter.
// What a meter reckons rises with the square of it.
func (s *section) bore() *Setting {
	t := s.sub("pipe_bore")
	if t == nil {
		return nil
	}
	bore, ok := t.twoSettings("measured", boreForm, func(text string) (float64, error) {
		q, err := quantity.ParseDim(text, quantity.Length)
		if err == nil && !(q.SI() > 0) {
			err = fmt.Errorf("%q is not above zero", text)
		}
		return q.SI(), err
	})
	if !ok {
		return nil
	}
	bore.Factor *= bore.Factor
	return s.told("pipe_bore", bore)
}

// twoSettings reads a table of what is fitted and what the meter is set to; the
// factor is their quotient.
func (s *section) twoSettings(key, form string, parse func(string) (float64, error)) (*Setting, bool) {
	read := func(key string) (string, float64, bool) {
		text := s.text(key, "")
		if text == "" {
			return "", 0, true
		}
		v, err := parse(text)
		if err != nil {
			s.problem(s.table.find(key).value.at, key, form, "%v", err)
		}
		return text, v, err == nil
	}
	s.need(key, form)
	fitted, is, ok := read(key)
	meter, set, ok2 := read("meter")
	s.done()
	if !ok || !ok2 || fitted == "" {
		return nil, false
	}
	one := &Setting{Fitted: fitted, Meter: meter, Factor: 1}
	if meter != "" {
		one.Factor = is / set
	}
	return one, true
}

// told warns where the meter is set to something else than is fitted.
func (s *section) told(key string, one *Setting) *Setting {
	at := s.table.find(key).at
	switch {
	case one.Meter == "":
		s.warn(at, key, "add meter, as the meter's own settings show it", "nothing says what the meter is set to, so that nothing can be compared")
	case one.Differs():
		s.warn(at, key, "set the meter to what is fitted; nothing is corrected by this record",
			"%s is fitted and the meter is set to %s: what is true is its reading × %.4g", one.Fitted, one.Meter, one.Factor)
	}
	return one
}

// parseRatio reads "200/5", "200:5", "200 A/5 A" or a plain "40".
func parseRatio(text string) (float64, error) {
	parts := strings.FieldsFunc(text, func(r rune) bool { return r == '/' || r == ':' })
	if len(parts) == 1 {
		parts = append(parts, "1")
	}
	var v []float64
	for _, p := range parts {
		p = strings.TrimSpace(strings.TrimRight(strings.TrimSpace(p), "AVk"))
		if f, err := strconv.ParseFloat(p, 64); err == nil && f > 0 && f <= 1e6 {
			v = append(v, f)
		}
	}
	if len(parts) != 2 || len(v) != 2 || strings.Contains(text, "k") {
		return 0, fmt.Errorf("%q is not a ratio", text)
	}
	return v[0] / v[1], nil
}

// warnSpan tells of an accuracy in shares of a span that neither record nor map
// gives.
func (s *section) warnSpan(d *Device) {
	if d.Map == nil {
		return
	}
	for i := range d.Map.Channels {
		c := &d.Map.Channels[i]
		a, ok := d.AccuracyOf(c)
		if !ok || a.OfSpan == 0 || !measured(c.Role) || d.SpanOf(c).WidthSI > 0 {
			continue
		}
		s.warn(s.table.find("instrument").at, "instrument.accuracy."+c.Unit.Dimension.String(),
			fmt.Sprintf("give it as span = { %s = \"…\" } of the instrument, or channel %q in the map its measuring range as valid = [least, greatest]", c.Unit.Dimension, c.Name),
			"%q needs the span of %s.%s, which is not known; until then an accuracy is assumed", a.Text, d.Name, c.Name)
	}
}
