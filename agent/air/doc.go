// Package air holds the formulas of compressed air: states of moist air and the
// reference conditions in which flows are counted, water vapour, the power of an
// ideal compression, flow through a hole, leak tests, and air in receivers.
//
// Everything is SI: pascal absolute (each name says so where it matters), cubic
// metre, second, kelvin, watt; shares are 0 to 1. Each formula names its source
// and on what basis it is known: "read" was seen in a published page, "from
// memory" was not. The tests hold all of them against published examples.
//
// The functions are pure and safe for concurrent use. They know no instrument:
// that is the analysis' matter. Formulas of a leak that figures and guided tests
// share take values with their uncertainty (gum) and carry it through.
package air
