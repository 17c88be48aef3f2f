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
	inkOff   // always with an edge
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
	inkSeries2:  {"series-2", "#b35c14", "#bf6e12"},
	inkSeries3:  {"series-3", "#17222c", "#f4f4f0"},
	inkSeries4:  {"series-4", "#913abe", "#fa5fb3"},
	inkSeries5:  {"series-5", "#6b8d52", "#90be57"},
	inkSeries6:  {"series-6", "#9f8dac", "#796972"},
	inkLoaded:   {"loaded", "#0d4f7c", "#8ccff2"},
	inkPartLoad: {"part-load", "#2c7cae", "#3f86b0"},
	inkUnloaded: {"unloaded", "#c08312", "#d99a1c"},
	inkStarting: {"starting", "#913abe", "#e27fd4"},
	inkStandby:  {"standby", "#666d72", "#a3adb5"},
	inkStopped:  {"stopped", "#8e9496", "#76818a"},
	inkTripped:  {"tripped", "#3d0d10", "#fbe3dc"},
	inkOff:      {"off", "#eceeee", "#26333c"},
	inkHeat0:    {"heat-0", "#f3f7f9", "#1d2a33"},
	inkHeat1:    {"heat-1", "#dbe9f0", "#203c4d"},
	inkHeat2:    {"heat-2", "#aecfdf", "#245168"},
	inkHeat3:    {"heat-3", "#7db0ca", "#2f6f8e"},
	inkHeat4:    {"heat-4", "#357a9f", "#4a93b8"},
	inkHeat5:    {"heat-5", "#1d5f88", "#7dbbdb"},
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
	{"part-load", 0.78, inkPartLoad},
	{"unloaded", 0.52, inkUnloaded},
	{"starting", 0.36, inkStarting},
	{"standby", 0.24, inkStandby},
	{"stopped", 0.12, inkStopped},
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
