package chart

import "strings"

// ink is a colour by what it is for.
type ink int

const (
	inkNone ink = iota
	inkText
	inkMuted
	inkHair  // grid
	inkEdge  // axes
	inkPaper // behind
	inkSpan  // shaded stretches
	inkHatch
	inkLimit
	inkSeries1
	inkSeries2
	inkSeries3
	inkSeries4
	inkSeries5
	inkSeries6
	inkLoaded
	inkPartLoad
	inkUnloaded
	inkStarting
	inkStandby
	inkStopped
	inkTripped
	inkHeat0 // the least
	inkHeat1
	inkHeat2
	inkHeat3
	inkHeat4
	inkHeat5
	inkHeat6
	inks
)

const series = 6

// colour is one ink: the name of its CSS variable, on white and on dark.
type colour struct{ name, light, dark string }

// palette are the colours; TestPalette says what they are held to.
var palette = [inks]colour{
	inkText:     {"text", "#17222c", "#e9ebe8"},
	inkMuted:    {"muted", "#4c5862", "#b2bdc5"},
	inkHair:     {"hair", "#dcdedd", "#2f3c46"},
	inkEdge:     {"edge", "#6d7274", "#8896a0"},
	inkPaper:    {"paper", "#ffffff", "#172028"},
	inkSpan:     {"span", "#eef0ea", "#22303a"},
	inkHatch:    {"hatch", "#8b8f90", "#7d8b95"},
	inkLimit:    {"limit", "#7a1f1f", "#ffb4a2"},
	inkSeries1:  {"series-1", "#0b5a86", "#8ccff2"},
	inkSeries2:  {"series-2", "#b0650c", "#e0962e"},
	inkSeries3:  {"series-3", "#17222c", "#f4f4f0"},
	inkSeries4:  {"series-4", "#a8479a", "#e27fd4"},
	inkSeries5:  {"series-5", "#5c8a3a", "#8fbf5f"},
	inkSeries6:  {"series-6", "#7c8388", "#87919a"},
	inkLoaded:   {"loaded", "#0d4f7c", "#8ccff2"},
	inkPartLoad: {"part-load", "#4191bf", "#3f86b0"},
	inkUnloaded: {"unloaded", "#c08312", "#d99a1c"},
	inkStarting: {"starting", "#a8479a", "#e27fd4"},
	inkStandby:  {"standby", "#7c8388", "#87919a"},
	inkStopped:  {"stopped", "#8e9496", "#76818a"},
	inkTripped:  {"tripped", "#3d0d10", "#fbe3dc"},
	inkHeat0:    {"heat-0", "#f3f7f9", "#1d2a33"},
	inkHeat1:    {"heat-1", "#d6e6ee", "#203c4d"},
	inkHeat2:    {"heat-2", "#b0d0e0", "#245168"},
	inkHeat3:    {"heat-3", "#82b4ce", "#2f6f8e"},
	inkHeat4:    {"heat-4", "#4d90b3", "#4a93b8"},
	inkHeat5:    {"heat-5", "#1f6a95", "#7dbbdb"},
	inkHeat6:    {"heat-6", "#0a3f63", "#b9e2f6"},
}

// ofState are how high a state stands in a strip, as a share, and its ink. The height
// tells it where colours cannot; what runs stands higher than what rests.
var ofState = []struct {
	state  string
	height float64
	ink    ink
}{
	{"loaded", 1, inkLoaded},
	{"part-load", 0.75, inkPartLoad},
	{"unloaded", 0.5, inkUnloaded},
	{"starting", 0.5, inkStarting},
	{"standby", 0.18, inkStandby},
	{"stopped", 0.18, inkStopped},
	{"off", 0, inkNone},
	{"tripped", 1, inkTripped},
}

// CSS is the declarations of the colours for one theme, for a page's style sheet: a
// page without them has the light ones.
func CSS(dark bool) string {
	var b strings.Builder
	for _, c := range palette[1:] {
		b.WriteString("--chart-" + c.name + ":")
		if dark {
			b.WriteString(c.dark)
		} else {
			b.WriteString(c.light)
		}
		b.WriteString(";")
	}
	return b.String()
}
