// Package chart draws the pictures of reports: one style, two back ends.
//
// A Chart is plain data in the units that it is labelled with; it draws itself on a
// Canvas, and SVG and PDF are the two there are. What was not observed is NaN and
// stays a gap; Low and High of a series keep the spikes that a mean would lose.
// Series are told apart by dash, weight and a label beside them before they are by
// colour, so that a picture can be read in grey and by a colour-blind reader.
//
// Not here: units, rounding of figures, what to draw.
package chart
