package main

import (
	"math"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
	"loadscribe/agent/replay"
)

// wattsPerSpecific are the W/(m³/s) in a kW/(m³/min).
const wattsPerSpecific = 60_000

// replayRow is one line of a table of outcomes: value·factor is in unit.
type replayRow struct {
	name, unit string
	factor     float64
	of         func(*replay.Outcome) replay.Amount
	share      bool // differences are told in per cent
	always     bool // shown where it is nothing throughout
	played     bool // known of what is played alone
}

func plain(v float64) replay.Amount { return replay.Amount{Value: &v} }

func (p *replayPrinter) rows() []replayRow {
	return []replayRow{
		{"energy", "kWh", 1, func(o *replay.Outcome) replay.Amount { return o.Energy }, true, true, false},
		{"cost", p.currency, 1, func(o *replay.Outcome) replay.Amount { return o.Cost }, true, false, false},
		{"of this for demand", p.currency, 1, func(o *replay.Outcome) replay.Amount { return o.DemandCost }, true, false, false},
		{"emissions", "kg", 1, func(o *replay.Outcome) replay.Amount { return o.Emissions }, true, false, false},
		{"starts", "1", 1, func(o *replay.Outcome) replay.Amount { return o.Starts }, false, true, false},
		{"starts in an hour, most", "1", 1, func(o *replay.Outcome) replay.Amount { return o.StartsHourMax }, false, true, false},
		{"load cycles", "1", 1, func(o *replay.Outcome) replay.Amount { return o.Loads }, true, true, false},
		{"load cycles a running hour", "1/h", 1, func(o *replay.Outcome) replay.Amount { return o.LoadsHour }, true, true, false},
		{"lowest pressure", "Pa", 1, func(o *replay.Outcome) replay.Amount { return o.LowestPa }, false, true, false},
		{"mean pressure", "Pa", 1, func(o *replay.Outcome) replay.Amount { return o.MeanPa }, false, true, false},
		{"below the least pressure", "s", 1, func(o *replay.Outcome) replay.Amount { return o.BelowS }, false, true, false},
		{"power for air", "kW/(m³/min)", 1 / float64(wattsPerSpecific), func(o *replay.Outcome) replay.Amount { return o.SpecificPower }, true, true, false},
		{"time short of air", "s", 1, func(o *replay.Outcome) replay.Amount { return plain(o.ShortS) }, false, false, true},
		{"air that was short", "m³", 1, func(o *replay.Outcome) replay.Amount { return plain(o.ShortM3) }, false, false, true},
	}
}

// in is an amount in the row's unit.
func (r *replayRow) in(o *replay.Outcome) replay.Amount {
	a := r.of(o)
	if a.Value != nil {
		v := *a.Value * r.factor
		a.Value = &v
	}
	if a.Interval != nil {
		half := *a.Interval * math.Abs(r.factor)
		a.Interval = &half
	}
	return a
}

// skip reports a row that says nothing: what is not known, or nothing in both.
func (r *replayRow) skip(a, b *replay.Amount) bool {
	known := a.Value != nil || b.Value != nil
	nothing := (a.Value == nil || *a.Value == 0) && (b.Value == nil || *b.Value == 0)
	return !known || nothing && !r.always
}

// amount is a value with its half width in the site's units.
func (p *replayPrinter) amount(a replay.Amount, unit string) string {
	if a.Value == nil {
		return "not known"
	}
	value, half, symbol := p.pair(*a.Value, a.Interval, unit)
	return joined(value, half, symbol)
}

func joined(value, half, symbol string) string {
	if half != "" {
		value += " ± " + half
	}
	if symbol != "" && symbol != "1" {
		value += " " + symbol
	}
	return value
}

// leastShown is from where on a half width has a place that is shown.
const leastShown = 5e-5

// pair is a value and its half width, rounded to what that warrants, and the unit.
func (p *replayPrinter) pair(v float64, half *float64, unit string) (value, spread, symbol string) {
	if unit == "1/Pa" { // read in per cent for each unit of pressure
		u := p.site.Units.Unit(quantity.Pressure)
		percent := 100 * u.Scale
		v *= percent
		if half != nil {
			wide := *half * percent
			half = &wide
		}
		unit = "% each " + u.Symbol
	}
	symbol, factor, offset := p.site.Units.Display(unit)
	if half != nil && *half*math.Abs(factor) < leastShown {
		half = nil
	}
	switch {
	case unit == "s":
		value, symbol = lasted(v), ""
		if half != nil {
			spread = lasted(*half)
		}
	case half != nil:
		value, spread = shownPair(&v, half, &analysis.Column{Unit: unit}, p.site.Units)
	case unit == "1":
		value = rounded(v, 0)
	case isMoney(unit):
		value = rounded(v, 2)
	default:
		shown := v*factor + offset
		value = rounded(shown, min(max(0, 3-magnitude(shown)), 2))
		if shown == 0 {
			value = "0"
		}
	}
	return value, spread, symbol
}

// lasted is a time in words, from an hour on to the minute.
func lasted(seconds float64) string {
	if seconds >= 3600 {
		seconds = math.Round(seconds/60) * 60
	}
	return duration(seconds)
}

// off is how much one is over the other.
func (p *replayPrinter) off(r *replayRow, from, to *replay.Amount) string {
	if from.Value == nil || to.Value == nil {
		return ""
	}
	d := *to.Value - *from.Value
	if r.share {
		if *from.Value == 0 {
			return ""
		}
		return signed(rounded(100*d / *from.Value, 1)) + " %"
	}
	if r.unit == "s" {
		sign := "+"
		if d < 0 {
			sign = "-"
		}
		return sign + lasted(math.Abs(d))
	}
	symbol, factor, _ := p.site.Units.Display(r.unit)
	decimals := 1
	if r.unit == "1" {
		decimals, symbol = 0, ""
	}
	return strings.TrimSpace(signed(rounded(d*factor, decimals)) + " " + symbol)
}

// signed puts a plus before what is not negative.
func signed(text string) string {
	if strings.HasPrefix(text, "-") {
		return text
	}
	return "+" + text
}
