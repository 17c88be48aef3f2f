// Package airtruth holds the figures of air against what happened: it plays a
// scenario of the simulator into memory, asks for all figures of a window, and
// gives each beside its true value. Tests count how often a stated interval
// holds the truth; the bench prints it.
//
// A Run is one scenario, one seed, one true flow and one window. The flow's
// error is the same through all of a run, so runs are counted, not minutes.
//
// The truth comes from simulator.Truth alone. Where a figure has no true value
// (the leaks of a plant whose users never rest, say) the row has none.
package airtruth
