package display

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
)

// Figure is a figure in the site's units, rounded to two figures of its
// uncertainty and to no more than four of its own; money to its hundredths at most, and
// to two figures of its uncertainty where that is known.
func Figure(f *analysis.Figure, units quantity.System) (value, uncertainty, unit string) {
	value, uncertainty, unit, ends := Interval(f, units)
	if ends != "" {
		uncertainty = "(" + ends + ")"
	}
	return value, uncertainty, unit
}

// Interval also gives the interval's ends, where it would reach below nothing, of
// what cannot be less: cut there.
func Interval(f *analysis.Figure, units quantity.System) (value, uncertainty, unit, ends string) {
	unit, factor, offset := units.Display(f.Unit)
	if IsShare(f) {
		unit, factor = "%", 100
	}
	v := *f.Value*factor + offset
	if unit == "s" {
		uncertainty, ends = spread(f, Duration, Duration)
		return prefixed(f, Duration(v)), uncertainty, "", ends
	}
	if unit == "1" {
		unit = ""
	}
	decimals := 3 - Magnitude(v) // four figures
	switch {
	case IsMoney(unit) && (f.Uncertainty == nil || *f.Uncertainty == 0):
		decimals = 2
	case IsMoney(unit):
		decimals = min(1-Magnitude(*f.Uncertainty), 2)
	case f.Uncertainty != nil && *f.Uncertainty > 0:
		decimals = min(1-Magnitude(*f.Uncertainty*factor), decimals)
	case v == math.Trunc(v):
		decimals = 0
	}
	uncertainty, ends = spread(f, func(u float64) string { return Rounded(u*math.Abs(factor), decimals) },
		func(most float64) string { return Rounded(most*factor, decimals) })
	return prefixed(f, Rounded(v, decimals)), uncertainty, unit, ends
}

func prefixed(f *analysis.Figure, value string) string {
	if f.AtLeast && (f.AtMost == nil || *f.AtMost != *f.Value) {
		return "at least " + value
	}
	return value
}

// spread is the half width, where there is one that is not too small to show, and the
// interval's ends where it is to be given by these.
func spread(f *analysis.Figure, show, end func(float64) string) (half, ends string) {
	if f.Uncertainty == nil {
		return "", ""
	}
	text := show(*f.Uncertainty)
	if !strings.ContainsAny(text, "123456789") {
		return "", ""
	}
	if *f.Uncertainty > *f.Value && *f.Value >= 0 && neverNegative(f) {
		ends = "0 to " + end(*f.Value+*f.Uncertainty)
	}
	return "± " + text, ends
}

// neverNegative reports what cannot be below nothing: times, shares, numbers, flows,
// energy and what follows from them; not what was saved, nor temperatures.
func neverNegative(f *analysis.Figure) bool {
	if strings.Contains(f.Name, "saved") || strings.Contains(f.Name, "saving") {
		return false
	}
	switch f.Unit {
	case "s", "1", "%", "1/h", "m³/min", "m³", "kWh", "kW", "kg", "kPa":
		return true
	}
	return IsMoney(f.Unit)
}

// IsShare reports a part of a whole, which is read in per cent.
func IsShare(f *analysis.Figure) bool {
	switch f.Name {
	case "duty_cycle", "loaded_share", "mean_load_fraction", "leak_share", "water_risk_share", "standing_below_minimum_share", "saving_share":
		return true
	}
	return false
}

// Bounds says what else is known of a value: what a share is of, what it refers to,
// the most it can be, what it is held to and whether it keeps to that, and which hours
// it takes in.
func Bounds(f *analysis.Figure, units quantity.System) (said []string) {
	if IsShare(f) && f.Denominator != "" {
		said = append(said, "of "+f.Denominator)
	}
	if f.Note != "" {
		said = append(said, f.Note)
	}
	if f.AtLeastWhy != "" {
		said = append(said, "a lower bound, since "+f.AtLeastWhy)
	}
	switch {
	case f.AtMost == nil || Whole(f):
	case *f.AtMost == *f.Value:
		said = append(said, "no more by the controller's counter")
	default:
		said = append(said, fmt.Sprintf("at most %.4g by the controller's counter", *f.AtMost))
	}
	if f.Limit != nil {
		limit := *f
		limit.Value, limit.Uncertainty, limit.AtLeast = f.Limit, nil, false
		shown, _, _ := Figure(&limit, units)
		word := "limit"
		switch {
		case f.Name == "shortest_rest" && *f.Value < *f.Limit:
			word = "UNDER the limit of"
		case f.Name == "isentropic_efficiency": // of new machines: no limit of this one
			word = "beside"
		case f.Name != "shortest_rest" && *f.Value > *f.Limit:
			word = "OVER the limit of"
		}
		said = append(said, fmt.Sprintf("%s %s (%s)", word, shown, f.LimitBasis))
	}
	if f.Denominator != "" && (strings.HasPrefix(f.Name, "pressure_m") || strings.HasPrefix(f.Name, "pressure_p") || strings.Contains(f.Name, "_below_minimum")) {
		said = append(said, f.Denominator) // which hours it is of
	}
	return said
}

// Observed is which part of the window a figure is of.
func Observed(f *analysis.Figure) string {
	if f.Coverage == nil {
		return ""
	}
	return fmt.Sprintf("observed %.1f %%", *f.Coverage*100)
}

// ObservedOf is that of most figures.
func ObservedOf(figures []analysis.Figure) (most string) {
	times := map[string]int{}
	for i := range figures {
		own := Observed(&figures[i])
		if own == "" {
			continue
		}
		if times[own]++; times[own] > times[most] {
			most = own
		}
	}
	return most
}

// Whole reports a window of which less than a thousandth was not observed: a
// lower bound is then as good as the value.
func Whole(f *analysis.Figure) bool { return f.Coverage != nil && *f.Coverage >= 0.999 }

// Narrowing writes what an uncertainty is and would be: in per cent of the value,
// or in its unit where the value is too small beside it for that to say anything.
func Narrowing(f *analysis.Figure, units quantity.System) string {
	size := math.Abs(*f.Value)
	if size > 0 && *f.Uncertainty < 2*size {
		return fmt.Sprintf("± %s %%, then ± %s %%", PerCent(*f.Uncertainty/size), PerCent(f.Narrower.Uncertainty/size))
	}
	then := *f
	then.Uncertainty = &f.Narrower.Uncertainty
	_, now, unit, _ := Interval(f, units)
	_, later, _, _ := Interval(&then, units)
	return strings.TrimSpace(fmt.Sprintf("%s, then %s %s", now, later, unit))
}
