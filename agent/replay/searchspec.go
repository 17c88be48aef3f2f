package replay

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent/quantity"
)

const (
	// searchMost bounds the combinations of one search, in time and memory.
	searchMost = 100_000
	// asIs is the value of a varied key that leaves the setting as it is.
	asIs = "as is"
)

// SearchSpec says what a search may change and which limits it must keep: the table
// [search] of a changes file, and search of a request.
type SearchSpec struct {
	// Set holds in every combination: key and value as in an alternative.
	Set map[string]any `json:"set,omitempty"`
	// Vary has for each key a list of values or a table from, to, step.
	Vary   map[string]any `json:"vary"`
	Limits SearchLimits   `json:"limits"`
	// Price has for each varied key what it costs: a number for any value but "as is",
	// or a table with a number for each value. What has no price costs nothing.
	Price map[string]any `json:"price,omitempty"`
}

// SearchLimits are what a combination must keep. What is not given is no limit, but
// for BelowMinimum: then it may be what it is with the settings as they are, and a
// little for chance.
type SearchLimits struct {
	LowestPressure string   `json:"lowest_pressure,omitempty"` // of the stores, at any time
	StartsPerHour  *float64 `json:"starts_per_hour,omitempty"` // in any 60 minutes, of the worst machine
	CyclesPerHour  *float64 `json:"cycles_per_hour,omitempty"` // load cycles a running hour
	BelowMinimum   string   `json:"below_minimum,omitempty"`   // time below the users' least pressure, in all
	Short          string   `json:"short,omitempty"`           // free air that users went without, in all
	Budget         *float64 `json:"budget,omitempty"`          // the sum of the prices
}

// searchLimits are SearchLimits in SI; an infinite one is none.
type searchLimits struct {
	lowestPa, startsHour, cyclesHour, belowS, shortM3, budget float64
	belowGiven                                                bool
}

// axis is one varied key.
type axis struct {
	key    string
	values []string
	prices []float64 // by value
}

// grid is all combinations of a search.
type grid struct {
	fixed  []Setting
	axes   []axis // by key
	limits searchLimits
	priced bool
}

// size is how many combinations there are.
func (g *grid) size() int {
	n := 1
	for _, a := range g.axes {
		n *= len(a.values)
	}
	return n
}

// at returns the settings of combination i and what they cost; the last axis turns
// fastest. Combination -1 leaves every varied key as it is.
func (g *grid) at(i int) (set []Setting, price float64) {
	set = slices.Clone(g.fixed)
	if i < 0 {
		return set, 0
	}
	choice := make([]int, len(g.axes))
	for k, a := range slices.Backward(g.axes) {
		choice[k], i = i%len(a.values), i/len(a.values)
	}
	for k, a := range g.axes {
		price += a.prices[choice[k]]
		if v := a.values[choice[k]]; v != asIs {
			set = append(set, Setting{Key: a.key, Value: v})
		}
	}
	return set, price
}

// grid checks the question and lays it out. Keys and values of settings are checked
// when they are applied.
func (s *SearchSpec) grid() (*grid, error) {
	fixed, err := flatKeys("search.set", s.Set)
	if err != nil {
		return nil, err
	}
	vary, err := flatKeys("search.vary", s.Vary)
	if err != nil {
		return nil, err
	}
	if len(vary) == 0 {
		return nil, refuse("search.vary", `nothing may change: name at least one setting, like "comp1.cut_in" = { from = "90 psi", to = "100 psi", step = "2 psi" }`)
	}
	g := &grid{}
	for _, key := range slices.Sorted(maps.Keys(fixed)) {
		text, err := valueText("search.set."+key, fixed[key])
		if err != nil {
			return nil, err
		}
		if _, both := vary[key]; both {
			return nil, refuse("search.set."+key, "it is in search.vary too: leave it out of one of them")
		}
		g.fixed = append(g.fixed, Setting{Key: key, Value: text})
	}
	for _, key := range slices.Sorted(maps.Keys(vary)) {
		values, err := axisValues("search.vary."+key, vary[key])
		if err != nil {
			return nil, err
		}
		g.axes = append(g.axes, axis{key: key, values: values, prices: make([]float64, len(values))})
	}
	if err := g.notTooMany(); err != nil {
		return nil, err
	}
	if err := s.putPrices(g); err != nil {
		return nil, err
	}
	g.limits, err = s.Limits.inSI()
	if err == nil && s.Limits.Budget != nil && !g.priced {
		err = refuse("search.limits.budget", `no setting has a price: give search.price, like volume_add = { "500 gal" = 2400 }`)
	}
	return g, err
}

// notTooMany holds the search to searchMost.
func (g *grid) notTooMany() error {
	n, parts := 1.0, []string{}
	for _, a := range g.axes {
		n *= float64(len(a.values))
		parts = append(parts, fmt.Sprintf("%s %d", a.key, len(a.values)))
	}
	if n > searchMost {
		return refuse("search.vary", "%.0f combinations (%s); at most %d are tried: make steps larger or leave a setting out",
			n, strings.Join(parts, " × "), searchMost)
	}
	return nil
}

// flatKeys joins the tables that TOML makes of a key with points and no quotes. A
// table with "from" is a range, not a part of a key.
func flatKeys(field string, table map[string]any) (map[string]any, error) {
	flat := map[string]any{}
	var walk func(prefix string, table map[string]any) error
	walk = func(prefix string, table map[string]any) error {
		for _, key := range slices.Sorted(maps.Keys(table)) {
			v := table[key]
			if inner, ok := v.(map[string]any); ok && !isRange(inner) {
				if err := walk(prefix+key+".", inner); err != nil {
					return err
				}
				continue
			}
			if _, twice := flat[prefix+key]; twice {
				return refuse(field+"."+prefix+key, "it is given twice")
			}
			flat[prefix+key] = v
		}
		return nil
	}
	return flat, walk("", table)
}

func isRange(table map[string]any) bool {
	for _, key := range []string{"from", "to", "step"} {
		if v, ok := table[key]; ok {
			if _, deeper := v.(map[string]any); !deeper {
				return true
			}
		}
	}
	return false
}

// valueText is a value of a setting as a person would type it.
func valueText(field string, v any) (string, error) {
	switch v := v.(type) {
	case string:
		if strings.TrimSpace(v) == "" {
			return "", refuse(field, "the value is empty")
		}
		return strings.TrimSpace(v), nil
	case int64:
		return strconv.FormatInt(v, 10), nil
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64), nil
	}
	return "", refuse(field, `a value is a text with its unit, like "95 psi", not %v`, v)
}

// axisValues lists the values of one varied key.
func axisValues(field string, v any) (values []string, err error) {
	switch v := v.(type) {
	case map[string]any:
		return rangeValues(field, v)
	case []any:
		for i, one := range v {
			text, err := valueText(fmt.Sprintf("%s[%d]", field, i), one)
			if err != nil {
				return nil, err
			}
			if slices.Contains(values, text) {
				return nil, refuse(field, "%q is in the list twice", text)
			}
			values = append(values, text)
		}
		if len(values) == 0 {
			return nil, refuse(field, "the list is empty: name the values to try")
		}
		return values, nil
	}
	return nil, refuse(field, `give a list, like ["3 min", "5 min", "never"], or a range, like { from = "90 psi", to = "100 psi", step = "2 psi" }`)
}

// rangeValues lists from, from + step … to, in the unit of from. The last is to where
// the steps meet it.
func rangeValues(field string, table map[string]any) ([]string, error) {
	for _, key := range slices.Sorted(maps.Keys(table)) {
		if key != "from" && key != "to" && key != "step" {
			return nil, refuse(field+"."+key, "a range has from, to and step")
		}
	}
	var q [3]quantity.Quantity
	for i, key := range []string{"from", "to", "step"} {
		v, ok := table[key]
		if !ok {
			return nil, refuse(field, "the range has no %s", key)
		}
		text, err := valueText(field+"."+key, v)
		if err != nil {
			return nil, err
		}
		if q[i], err = rangeQuantity(text); err != nil {
			return nil, refuse(field+"."+key, "%v", err)
		}
		if u, first := q[i].Unit, q[0].Unit; u.Dimension != first.Dimension || u.Basis != first.Basis || u.Absolute && !first.Absolute || key == "to" && u.Absolute != first.Absolute {
			return nil, refuse(field+"."+key, "%q does not fit %q in from: use the same unit", text, first.Symbol)
		}
	}
	unit := q[0].Unit
	from, to, step := q[0].Value, unit.FromSI(q[1].SI()), q[2].Value*q[2].Unit.Scale/unit.Scale
	if step <= 0 || to < from {
		return nil, refuse(field, "a range goes up: from below to, with a step above 0")
	}
	n := math.Floor((to-from)/step+1e-9) + 1
	if n > searchMost {
		return nil, refuse(field, "the range has %.0f values; at most %d combinations are tried: make the step larger", n, searchMost)
	}
	values := make([]string, int(n))
	for i := range values {
		values[i] = strconv.FormatFloat(from+float64(i)*step, 'g', 10, 64)
		if unit.Symbol != "1" {
			values[i] += " " + unit.Symbol
		}
	}
	return values, nil
}

// rangeQuantity reads a number with or without a unit. No setting is a length: m
// means minutes, as wherever a time is asked for.
func rangeQuantity(text string) (quantity.Quantity, error) {
	if v, err := strconv.ParseFloat(text, 64); err == nil && !math.IsInf(v, 0) && !math.IsNaN(v) {
		plain, err := quantity.ParseUnit("1")
		return quantity.Quantity{Value: v, Unit: plain}, err
	}
	q, err := quantity.Parse(text)
	if err == nil && q.Unit.Symbol == "m" {
		q.Unit, err = quantity.ParseUnit("min")
	}
	return q, err
}

// inSI reads the limits.
func (l *SearchLimits) inSI() (searchLimits, error) {
	s := searchLimits{lowestPa: math.Inf(-1), startsHour: math.Inf(1), cyclesHour: math.Inf(1),
		belowS: math.Inf(1), shortM3: math.Inf(1), budget: math.Inf(1), belowGiven: l.BelowMinimum != ""}
	for _, t := range []struct {
		key, text string
		d         quantity.Dimension
		to        *float64
	}{
		{"lowest_pressure", l.LowestPressure, quantity.Pressure, &s.lowestPa},
		{"below_minimum", l.BelowMinimum, quantity.Duration, &s.belowS},
		{"short", l.Short, quantity.Volume, &s.shortM3},
	} {
		if t.text == "" {
			continue
		}
		q, err := quantity.ParseDim(t.text, t.d)
		if err == nil && q.SI() < 0 {
			err = fmt.Errorf("%q is below nothing: give 0 or more", t.text)
		}
		if err == nil && q.Unit.Absolute {
			err = fmt.Errorf("%q is absolute: give the gauge pressure", t.text)
		}
		if err != nil {
			return s, refuse("search.limits."+t.key, "%v", err)
		}
		*t.to = q.SI()
	}
	for _, n := range []struct {
		key  string
		v    *float64
		into *float64
	}{
		{"starts_per_hour", l.StartsPerHour, &s.startsHour},
		{"cycles_per_hour", l.CyclesPerHour, &s.cyclesHour},
		{"budget", l.Budget, &s.budget},
	} {
		if n.v == nil {
			continue
		}
		if !(*n.v >= 0) || math.IsInf(*n.v, 0) {
			return s, refuse("search.limits."+n.key, "%v is no limit: give a number of 0 or more", *n.v)
		}
		*n.into = *n.v
	}
	return s, nil
}
