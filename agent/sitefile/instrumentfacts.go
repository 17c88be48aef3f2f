package sitefile

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/quantity"
)

// InstrumentFacts is the record of one instrument as check, the API and summary
// show it.
type InstrumentFacts struct {
	Subject         string   `json:"subject"`  // the device, or device.channel of an instrument of its own
	Channels        []string `json:"channels"` // the ids that it reads and that have a role
	Serial          string   `json:"serial,omitempty"`
	Calibrated      string   `json:"calibrated,omitempty"`
	CalibratedUntil string   `json:"calibrated_until,omitempty"` // the last day
	Certificate     string   `json:"certificate,omitempty"`
	// Standing is what the calibration is worth; empty where no time is asked for.
	Standing Standing `json:"standing,omitempty"`
	// Figures are the names of those that rest on it, where that was asked for.
	Figures []string `json:"figures,omitempty"`
	// Accuracy and Span as written, by quantity; by id where a channel has its own.
	Accuracy           map[string]string `json:"accuracy,omitempty"`
	Span               map[string]string `json:"span,omitempty"`
	FlowMeter          FlowMeter         `json:"flow_meter,omitempty"`
	CurrentTransformer *SettingFacts     `json:"current_transformer,omitempty"`
	VoltageTransformer *SettingFacts     `json:"voltage_transformer,omitempty"`
	PipeBore           *SettingFacts     `json:"pipe_bore,omitempty"`
	Checks             []CheckFacts      `json:"checks,omitempty"` // oldest first
}

// SettingFacts is a Setting for people and programs.
type SettingFacts struct {
	Fitted string `json:"fitted"`
	Meter  string `json:"meter,omitempty"`
	// Factor times what the meter reads is true; nothing is corrected by it.
	Factor float64 `json:"factor"`
}

// InstrumentRecord is one instrument of a site and the channels that it reads.
type InstrumentRecord struct {
	*Instrument
	Subject string
	Device  *Device
	Of      []*MapChannel // with a role that is measured, in the map's order
}

// Instruments lists the instruments of a site, devices in the file's order, each
// before those of its single channels. A device whose channels all have their own
// is left out.
func (s *Site) Instruments() []InstrumentRecord {
	var all []InstrumentRecord
	for i := range s.Devices {
		d := &s.Devices[i]
		if d.Map == nil {
			continue
		}
		at := map[*Instrument]int{&d.Instrument: len(all)}
		all = append(all, InstrumentRecord{Instrument: &d.Instrument, Subject: d.Name, Device: d})
		for j := range d.Map.Channels {
			c := &d.Map.Channels[j]
			if !measured(c.Role) {
				continue
			}
			in := d.InstrumentOf(c.Name)
			k, ok := at[in]
			if !ok {
				k = len(all)
				at[in] = k
				all = append(all, InstrumentRecord{Instrument: in, Subject: d.Name + "." + c.Name, Device: d})
			}
			all[k].Of = append(all[k].Of, c)
		}
		if first := at[&d.Instrument]; len(all[first].Of) == 0 && !d.Instrument.known() && len(d.Instrument.Checks) == 0 {
			all = slices.Delete(all, first, first+1)
		}
	}
	return all
}

// Facts is the record as it is shown; standing may be empty.
func (r *InstrumentRecord) Facts(standing Standing) InstrumentFacts {
	f := InstrumentFacts{Subject: r.Subject, Channels: []string{}, Serial: r.Serial, Calibrated: r.Calibrated, CalibratedUntil: r.Until,
		Certificate: r.Certificate, Standing: standing, Accuracy: map[string]string{}, Span: map[string]string{}}
	for _, c := range r.Of {
		f.Channels = append(f.Channels, r.Device.Name+"."+c.Name)
		for _, named := range r.Device.SettingsOf(c) {
			f.put(named)
		}
		key, word := c.Unit.Dimension.String(), c.Unit.Dimension.String()
		if own := r.Device.Instrument.Channels[c.Name]; own != nil && (own.Accuracy[word].Text != "" || own.Span[word].Text != "") {
			key = r.Device.Name + "." + c.Name
		}
		if a, ok := r.Device.AccuracyOf(c); ok {
			f.Accuracy[key] = a.Text
		}
		if span := r.Device.SpanOf(c); span.Text != "" {
			f.Span[key] = span.Text
		}
		if meter := r.Device.FlowMeterOf(c); c.Unit.Dimension == quantity.Flow || c.Unit.Dimension == quantity.Volume {
			f.FlowMeter = meter
		}
	}
	for _, c := range r.ChecksMade() {
		f.Checks = append(f.Checks, c.Facts(r.Device))
	}
	return f
}

func (f *InstrumentFacts) put(s NamedSetting) {
	facts := &SettingFacts{s.Fitted, s.Meter, s.Factor}
	switch s.Key {
	case "current_transformer":
		f.CurrentTransformer = facts
	case "voltage_transformer":
		f.VoltageTransformer = facts
	case "pipe_bore":
		f.PipeBore = facts
	}
}

// String is the record in one line.
func (f *InstrumentFacts) String() string {
	parts := []string{"no serial number"}
	if f.Serial != "" {
		parts[0] = "serial " + f.Serial
	}
	parts = append(parts, f.CalibrationText())
	if f.Certificate != "" {
		parts = append(parts, "certificate "+f.Certificate)
	}
	if f.FlowMeter != "" {
		parts = append(parts, string(f.FlowMeter)+" flow meter")
	}
	for _, key := range slices.Sorted(maps.Keys(f.Accuracy)) {
		parts = append(parts, key+" ±"+f.Accuracy[key])
	}
	for _, key := range slices.Sorted(maps.Keys(f.Span)) {
		parts = append(parts, "span of "+key+" "+f.Span[key])
	}
	for _, s := range []struct {
		name string
		*SettingFacts
	}{{"current transformer", f.CurrentTransformer}, {"voltage transformer", f.VoltageTransformer}, {"pipe bore", f.PipeBore}} {
		switch {
		case s.SettingFacts == nil:
		case s.Meter == "":
			parts = append(parts, s.name+" "+s.Fitted)
		default:
			parts = append(parts, fmt.Sprintf("%s %s, meter set to %s", s.name, s.Fitted, s.Meter))
		}
	}
	for i := range f.Checks {
		parts = append(parts, f.Checks[i].String())
	}
	return f.Subject + ": " + strings.Join(parts, ", ")
}

// CalibrationText says when it was calibrated and how long that holds.
func (f *InstrumentFacts) CalibrationText() string {
	text := "no calibration date"
	switch {
	case f.Calibrated != "" && f.CalibratedUntil != "":
		text = "calibrated " + f.Calibrated + ", holds until " + f.CalibratedUntil
	case f.Calibrated != "":
		text = "calibrated " + f.Calibrated + ", no end stated"
	case f.CalibratedUntil != "":
		text = "calibration holds until " + f.CalibratedUntil
	}
	switch f.Standing {
	case Expired:
		text += " (EXPIRED)"
	case InFuture:
		text += " (in the FUTURE)"
	case Later:
		text += " (after the window)"
	}
	return text
}

// InstrumentFacts are the records of all instruments. end is when the window ends
// for which calibrations are judged; the zero time judges none.
func (s *Site) InstrumentFacts(end, now time.Time) []InstrumentFacts {
	facts := []InstrumentFacts{}
	for _, r := range s.Instruments() {
		standing := Standing("")
		if !end.IsZero() {
			standing = r.Standing(end.In(s.Location), now.In(s.Location))
		}
		facts = append(facts, r.Facts(standing))
	}
	return facts
}
