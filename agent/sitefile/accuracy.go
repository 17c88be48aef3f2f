package sitefile

import (
	"fmt"
	"strconv"
	"strings"

	"loadscribe/agent/quantity"
)

const accuracyForm = `write it like "1 % of span", "0.5 % of reading", "0.2 psi" or a sum with +; of a certificate that states an expanded uncertainty with (k=2) after it`

// accuracyDimensions are the kinds of channel whose accuracy can be given.
var accuracyDimensions = [...]quantity.Dimension{
	quantity.Pressure, quantity.Power, quantity.Energy, quantity.Flow, quantity.Volume,
	quantity.Temperature, quantity.Current, quantity.Voltage,
}

// Coverage factors that a certificate may state: below 1 lies no interval that
// anybody states, and 4.53 is that of 95.45 % with two degrees of freedom.
const leastK, mostK = 1, 5

// parseAccuracy reads "1 % of span", "0.5 %" (of reading), "0.2 psi" or a sum
// of such parts: limits, or with "(k=2)" after it an expanded uncertainty.
func parseAccuracy(text string, d quantity.Dimension) (Accuracy, error) {
	a := Accuracy{Text: text}
	sum, factor, expanded := strings.Cut(text, "(k")
	if expanded {
		k, closed := strings.CutSuffix(strings.TrimSpace(factor), ")")
		k, isK := strings.CutPrefix(strings.TrimSpace(k), "=")
		v, err := strconv.ParseFloat(strings.TrimSpace(k), 64)
		if !isK || !closed || err != nil || !(v >= leastK && v <= mostK) {
			return a, fmt.Errorf("%q: a coverage factor is from %d to %d, as in (k=2) at the end", text, leastK, mostK)
		}
		a.K, text = v, sum
	}
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
	if a.K > 0 && a.OfReading+a.OfSpan+a.SI == 0 {
		return a, fmt.Errorf("%q: no calibration is without uncertainty", a.Text)
	}
	return a, nil
}
