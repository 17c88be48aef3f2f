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
// # Air
//
// Air is counted in cubic metres of free air: air as it is at the inlet, at
// the site's barometer. A volume V at absolute pressure p holds V·p/Pa of it
// (isothermal: the air in receivers has room temperature; the change of inlet
// density with the weather is left out). Every pressure follows from such a
// balance. Drops of coolers, dryers and pipes follow flow², each solved
// implicitly over a step, so that no step length makes them swing. Orifices
// (blow-down, leaks, blow guns) follow absolute pressure while choked and
// ISO 6358's ellipse below that (from memory).
//
// # Compressor
//
// The screw fills its displacement Q at the pressure behind the inlet valve,
// compresses it inside by the built-in volume ratio v and pushes it out against
// the sump pressure p:
//
//	P = Q·(p_in·((v^(κ-1)-1)/(κ-1) - 1) + p/v)/η + P_mechanical
//
// so an unloaded machine starts near two thirds of full power and comes down
// as the sump blows down to its residual pressure. Motor losses and reactive
// power are a constant and a part that grows with load². The start follows a
// double-cage torque curve; in wye connection torque and line current are a
// third of those of a direct start. The true flow of a machine differs from
// its nameplate by -12 to +5 %, drawn from the seed.
//
// # Caveats
//
// A World is not safe for concurrent use; serve.Driver is. The same scenario,
// seed and start give the same bytes on the same kind of processor; how a World
// is advanced (in one call or many) and how often it is read change nothing.
// Nothing here is shared with the analysis that is checked against it, and no
// curve is a real machine's.
package simulator
