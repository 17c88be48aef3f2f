package sitefile

import (
	"time"

	"loadscribe/agent/gum"
	"loadscribe/agent/quantity"
)

// Instrument is what is known of the instrument behind a device's channels, or
// behind one of them. Dates are local days as in "2026-03-02"; empty: not given.
type Instrument struct {
	Accuracy    map[string]Accuracy // by dimension word: pressure, power, energy, flow, volume, temperature, current, voltage
	Span        map[string]Span     // measuring range, likewise
	FlowMeter   FlowMeter           // the kind of flow meter behind its flow channels; empty: not said. Key: flow_meter
	Serial      string
	Certificate string
	Calibrated  string
	// Until is the last day on which the calibration holds, by
	// calibration_months or calibrated_until.
	Until string
	// Current and Voltage are the transformers before a meter; nil: none named.
	// Keys: current_transformer, voltage_transformer.
	Current, Voltage *Setting
	// PipeBore is of an insertion flow meter, which reckons a flow as velocity
	// times area; nil: not given.
	PipeBore *Setting
	// Checks are comparisons with a reference, oldest first. Key: checks.
	Checks []InstrumentCheck
	// Channels are the records of single channels: sensors of their own at the
	// inputs of a module, say. Key: channels.
	Channels map[string]*Instrument
}

// Setting is something that is fitted in a plant and entered in a meter as well.
type Setting struct {
	Fitted  string // as written
	Meter   string // what the meter is set to; empty: not said
	Exactly bool   // two ratios are equal or not; bores are measured
	// Factor times what the meter reads is true, by this record; 1 where Meter
	// is not said. Nothing is corrected by it.
	Factor float64
}

// boreTolerance is the share of a flow by which a bore's reading may differ
// before it is worth a word: a twentieth of a good meter's accuracy.
const boreTolerance = 0.001

// Differs reports whether the meter is set to something else than is fitted.
func (s *Setting) Differs() bool {
	if s == nil {
		return false
	}
	least := boreTolerance
	if s.Exactly {
		least = 1e-6
	}
	return s.Factor < 1-least || s.Factor > 1+least
}

// Span is a measuring range.
type Span struct {
	WidthSI float64
	Text    string
}

// FlowMeter is how a flow meter works.
type FlowMeter string

// The kinds of flow meter.
const (
	ThermalMass          FlowMeter = "thermal mass"
	DifferentialPressure FlowMeter = "differential pressure"
	Vortex               FlowMeter = "vortex"
	Turbine              FlowMeter = "turbine"
	Ultrasonic           FlowMeter = "ultrasonic"
	PositiveDisplacement FlowMeter = "positive displacement"
)

// Accuracy is a limit, the sum of its parts, or K times a standard uncertainty.
type Accuracy struct {
	OfReading float64 // share of reading, 0.01 = 1 %
	OfSpan    float64 // share of the channel's span
	SI        float64 // absolute, in SI
	// K is the coverage factor of a certificate's expanded uncertainty; 0: the
	// parts are limits.
	K    float64
	Text string
}

// StandardU is the standard uncertainty of a part of the accuracy, by the GUM: of
// a limit its half width over √3 (4.3.7), of what a certificate states with a
// coverage factor that divided by it (4.3.3; both from memory).
func (a Accuracy) StandardU(half float64) float64 {
	if a.K > 0 {
		return half / a.K
	}
	return gum.Rectangular(half)
}

// Standing is what a calibration is worth at a time.
type Standing string

// What a calibration can be worth.
const (
	Valid    Standing = "valid"
	NoEnd    Standing = "no end stated"
	Expired  Standing = "expired"
	NoDate   Standing = "no date"
	InFuture Standing = "in the future"
	Later    Standing = "after the window"
)

// Standing judges the calibration for a window that ends before end, looked at
// now. Both are taken as days in their own location.
func (i *Instrument) Standing(end, now time.Time) Standing {
	last, today := end.Add(-time.Millisecond).Format(time.DateOnly), now.Format(time.DateOnly)
	switch {
	case i.Calibrated == "" && i.Until == "":
		return NoDate
	case i.Calibrated > today:
		return InFuture
	case i.Until != "" && i.Until < last:
		return Expired
	case i.Calibrated > last:
		return Later
	case i.Until == "":
		return NoEnd
	}
	return Valid
}

// known reports whether a channel's record names an instrument of its own, not
// only how exact the device's is there.
func (i *Instrument) known() bool {
	return i.Serial != "" || i.Certificate != "" || i.Calibrated != "" || i.Until != ""
}

// InstrumentOf is the instrument behind a channel: the channel's own where it has
// one, else the device's.
func (d *Device) InstrumentOf(channel string) *Instrument {
	if own := d.Instrument.Channels[channel]; own != nil && own.known() {
		return own
	}
	return &d.Instrument
}

// AccuracyOf is the stated accuracy of a channel.
func (d *Device) AccuracyOf(c *MapChannel) (a Accuracy, given bool) {
	word := c.Unit.Dimension.String()
	if own := d.Instrument.Channels[c.Name]; own != nil {
		if a, given = own.Accuracy[word]; given {
			return a, true
		}
	}
	a, given = d.Instrument.Accuracy[word]
	return a, given
}

// SpanOf is the measuring range of a channel: as its record or the device's says,
// else the map's valid range. WidthSI is 0 where neither is there.
func (d *Device) SpanOf(c *MapChannel) Span {
	word := c.Unit.Dimension.String()
	if own := d.Instrument.Channels[c.Name]; own != nil {
		if s, ok := own.Span[word]; ok {
			return s
		}
	}
	if s, ok := d.Instrument.Span[word]; ok {
		return s
	}
	if c.Valid != nil {
		return Span{WidthSI: (c.Valid[1] - c.Valid[0]) * c.Unit.Scale}
	}
	return Span{}
}

// FlowMeterOf is the kind of meter behind a channel of flow or volume.
func (d *Device) FlowMeterOf(c *MapChannel) FlowMeter {
	if own := d.Instrument.Channels[c.Name]; own != nil && own.FlowMeter != "" {
		return own.FlowMeter
	}
	return d.Instrument.FlowMeter
}

// SettingsOf are the settings that bear on a channel, those that are given.
func (d *Device) SettingsOf(c *MapChannel) (all []NamedSetting) {
	add := func(name string, s *Setting) {
		if s != nil {
			all = append(all, NamedSetting{name, s})
		}
	}
	i := &d.Instrument
	switch c.Unit.Dimension {
	case quantity.Power, quantity.Energy, quantity.ApparentPower:
		add("current_transformer", i.Current)
		add("voltage_transformer", i.Voltage)
	case quantity.Current:
		add("current_transformer", i.Current)
	case quantity.Voltage:
		add("voltage_transformer", i.Voltage)
	case quantity.Flow, quantity.Volume:
		bore := i.PipeBore
		if own := i.Channels[c.Name]; own != nil && own.PipeBore != nil {
			bore = own.PipeBore
		}
		add("pipe_bore", bore)
	}
	return all
}

// NamedSetting is a setting with its key.
type NamedSetting struct {
	Key string
	*Setting
}
