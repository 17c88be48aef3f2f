package main

import (
	"fmt"
	"io"
	"strings"

	"loadscribe/agent/analysis"
	"loadscribe/agent/display"
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
		e := effect{f.Narrower.Sentence, display.Narrowing(f, units)}
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
