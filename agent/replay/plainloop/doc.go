// Package plainloop plays a demand through a plant in plain steps of time: what
// package engine does event by event, as one would first write it. It is what the
// engine's tests and its bench row are held against, and nothing else uses it.
//
// It takes the same plants and shares no code with the engine: shares of flow come
// from the pressure by their own formulas, thresholds are seen at a step's end, and
// every sum is a product with the step. Where a machine matches the demand the
// pressure at the step's end is the one at which its own flow leads there (implicit
// Euler); otherwise the step goes straight on. Errors are of the order of the step.
//
// Its results have no trace, no slots and no counts of the worst hour.
package plainloop
