package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/quantity"
)

// printNarrower says what would narrow the wide figures: a line for each thing to
// do, and below it what it would do for which figures.
func printNarrower(out io.Writer, figures []analysis.Figure, units quantity.System) {
	type effect struct{ does, to string }
	var sentences []string
	effects := map[string][]string{}
	names := map[effect][]string{}
	for i := range figures {
		f := &figures[i]
		if f.Narrower == nil || f.Value == nil || *f.Value == 0 || f.Uncertainty == nil {
			continue
		}
		e := effect{f.Narrower.Sentence, narrowing(f, units)}
		if effects[e.does] == nil {
			sentences = append(sentences, e.does)
		}
		if names[e] == nil {
			effects[e.does] = append(effects[e.does], e.to)
		}
		names[e] = append(names[e], f.Name)
	}
	if len(sentences) > 0 {
		fmt.Fprintln(out, "  what would narrow the figures known to no better than 5 %:")
	}
	for _, does := range sentences {
		fmt.Fprintf(out, "    %s\n", does)
		for _, to := range effects[does] {
			fmt.Fprintf(out, "      %s: %s\n", strings.Join(names[effect{does, to}], ", "), to)
		}
	}
}

// narrowing writes what an uncertainty is and would be: in per cent of the value,
// or in its unit where the value is too small beside it for that to say anything.
func narrowing(f *analysis.Figure, units quantity.System) string {
	size := math.Abs(*f.Value)
	if size > 0 && *f.Uncertainty < 2*size {
		return fmt.Sprintf("± %s %%, then ± %s %%", perCent(*f.Uncertainty/size), perCent(f.Narrower.Uncertainty/size))
	}
	then := *f
	then.Uncertainty = &f.Narrower.Uncertainty
	_, now, unit, _ := shownInterval(f, units)
	_, later, _, _ := shownInterval(&then, units)
	return strings.TrimSpace(fmt.Sprintf("%s, then %s %s", now, later, unit))
}

// perCent is a share to two figures.
func perCent(share float64) string {
	digits := 2
	if share >= 1 {
		digits = 3 // no power of ten
	}
	return strconv.FormatFloat(100*share, 'g', digits, 64)
}
