// Package simulator is an invented compressed-air plant that runs by itself:
// rotary screw compressors, receivers, pipes, leaks and people who use air. It
// exists to be measured: device images give the register values that a
// controller and a power meter would show, and Truth keeps what really
// happened beside them, so that a test can compare the two.
//
// A Scenario (TOML, see scenarios/joinery.toml) describes a plant; New makes a
// World from it; World.Advance integrates it in steps of 50 ms; World.Device
// gives the Registers of one device, whose Answer speaks Modbus at the level of
// the PDU (function codes 3 and 4; everything else is refused, writes too).
// Package serve puts them on TCP and on serial lines, with faults.
//
// The equations, the figures behind them and what is left out are in
// docs/simulator.md. In short: air is counted in cubic metres of free air, as it
// is at the inlet at the site's barometer; every pressure follows from a balance
// of such air; each drop is solved implicitly over a step; the screw's power is
// that of its built-in volume ratio, calibrated to the nameplate.
//
// # Caveats
//
// A World is not safe for concurrent use; serve.Driver is. The same scenario,
// seed and start give the same bytes on the same kind of processor; how a World
// is advanced (in one call or many) and how often it is read change nothing.
// Nothing here is shared with the analysis that is checked against it, and no
// curve is a real machine's.
package simulator
