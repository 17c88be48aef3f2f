package replay

import (
	"maps"
	"math"
	"slices"

	"loadscribe/agent/quantity"
)

// putPrices lays the prices beside the values.
func (s *SearchSpec) putPrices(g *grid) error {
	priceOf := map[string]any{}
	keys := make([]string, len(g.axes))
	for i, a := range g.axes {
		keys[i] = a.key
	}
	// A price by value is a table, which looks like a key in parts: what is a varied
	// key is taken whole.
	var walk func(prefix string, table map[string]any) error
	walk = func(prefix string, table map[string]any) error {
		for _, k := range slices.Sorted(maps.Keys(table)) {
			name := prefix + k
			if slices.Contains(keys, name) {
				priceOf[name] = table[k]
				continue
			}
			inner, ok := table[k].(map[string]any)
			if !ok {
				near := quantity.Nearest(name, keys)
				if near != "" {
					return refuse("search.price."+name, "it is not in search.vary; did you mean %q?", near)
				}
				return refuse("search.price."+name, "it is not in search.vary: only what varies has a price")
			}
			if err := walk(name+".", inner); err != nil {
				return err
			}
		}
		return nil
	}
	if err := walk("", s.Price); err != nil {
		return err
	}
	for i := range g.axes {
		given, ok := priceOf[g.axes[i].key]
		if !ok {
			continue
		}
		g.priced = true
		if err := g.axes[i].price("search.price."+g.axes[i].key, given); err != nil {
			return err
		}
	}
	return nil
}

// price fills the prices of one key; as it is costs nothing.
func (a *axis) price(field string, given any) error {
	table, by := given.(map[string]any)
	for i, value := range a.values {
		one := given
		if by {
			var ok bool
			if one, ok = table[value]; !ok && value != asIs {
				return refuse(field, "the value %q has no price", value)
			}
		}
		if value == asIs {
			continue
		}
		p, ok := number(one)
		if !ok || !(p >= 0) || math.IsInf(p, 0) {
			return refuse(field, "%v is no price: give a number of 0 or more, or a table with one for each value", one)
		}
		a.prices[i] = p
	}
	if !by {
		return nil
	}
	for _, value := range slices.Sorted(maps.Keys(table)) {
		if !slices.Contains(a.values, value) {
			return refuse(field, "it has a price for %q, which is none of the values %q", value, a.values)
		}
	}
	return nil
}

// number takes what TOML and JSON make of a number.
func number(v any) (float64, bool) {
	switch v := v.(type) {
	case int64:
		return float64(v), true
	case float64:
		return v, true
	}
	return 0, false
}
