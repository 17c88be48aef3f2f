package sitefile

import (
	"fmt"
	"strconv"
	"strings"

	"loadscribe/agent/quantity"
)

const accuracyForm = `write it like "1 % of span", "0.5 % of reading", "0.2 psi" or a sum with +`

// accuracyDimensions are the kinds of channel whose accuracy can be given.
var accuracyDimensions = [...]quantity.Dimension{
	quantity.Pressure, quantity.Power, quantity.Energy, quantity.Flow,
	quantity.Temperature, quantity.Current, quantity.Voltage,
}

// parseAccuracy reads "1 % of span", "0.5 %" (of reading), "0.2 psi" or a sum
// of such parts.
func parseAccuracy(text string, d quantity.Dimension) (Accuracy, error) {
	a := Accuracy{Text: text}
	for _, part := range strings.Split(text, "+") {
		part = strings.TrimSpace(strings.ReplaceAll(part, "±", ""))
		number, of, isShare := strings.Cut(part, "%")
		if !isShare {
			q, err := quantity.ParseDim(part, d)
			if err != nil {
				return a, err
			}
			if q.Value < 0 {
				return a, fmt.Errorf("%q is below zero", part)
			}
			a.SI += q.Value * q.Unit.Scale // a difference: no offset
			continue
		}
		share, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil || !(share >= 0 && share <= 100) {
			return a, fmt.Errorf("%q is not a share from 0 to 100 %%", part)
		}
		switch strings.Join(strings.Fields(of), " ") {
		case "of span":
			a.OfSpan += share / 100
		case "", "of reading":
			a.OfReading += share / 100
		default:
			return a, fmt.Errorf("%q: a share is of span or of reading", part)
		}
	}
	return a, nil
}

// instrument reads what is known of a device's metrology.
func (s *section) instrument(key string) Instrument {
	var inst Instrument
	t := s.sub(key)
	if t == nil {
		return inst
	}
	inst.Serial = t.text("serial", "")
	inst.FlowMeter = FlowMeter(t.choice("flow_meter", "", string(ThermalMass), string(DifferentialPressure), string(Vortex),
		string(Turbine), string(Ultrasonic), string(PositiveDisplacement)))
	inst.Calibrated = t.date("calibrated")
	if acc := t.sub("accuracy"); acc != nil {
		inst.Accuracy = map[string]Accuracy{}
		for _, d := range accuracyDimensions {
			text := acc.text(d.String(), "")
			if text == "" {
				continue
			}
			a, err := parseAccuracy(text, d)
			if err != nil {
				acc.problem(acc.table.find(d.String()).value.at, d.String(), accuracyForm, "%v", err)
				continue
			}
			inst.Accuracy[d.String()] = a
		}
		acc.done()
	}
	t.done()
	return inst
}
