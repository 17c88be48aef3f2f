// Package engine plays a demand for air through a plant of compressors, event by
// event: between two events (a step of the demand, a pressure reached, a timer
// run out, a schedule's edge) the pressure has a closed form, for what machines
// deliver and users take is linear in it.
//
// It knows no record, no site file and no price: numbers in, numbers out. Everything
// is SI; flows are free air at the inlet; pressures are gauge unless the name says
// otherwise; times are seconds since the beginning of the window. The same plant
// and demand give the same result to the last bit on one kind of processor.
//
// # Air
//
// The stores keep their temperature: VolumeM3/InletPa · dp/dt = supply - demand
// (what the handbooks' receiver formula V = T·C·pa/(p₁-p₂) is the integral of). With
// supply and demand linear in p the pressure goes exponentially towards where they
// meet; times to a pressure, air and energy (power is linear in p too) follow in
// closed form, so nothing depends on a step.
//
// Demand goes with the pressure as its Segment says down to MinimumPa. Below that
// users get what an orifice lets through: in proportion to the absolute pressure
// while the flow is choked, and from there in a straight line to nothing at none.
// Where MinimumPa lies below the pressure that chokes, that pressure takes its place.
// So a pressure that collapses settles where the machines deliver what still flows.
//
// # Machines
//
// A machine's controls read the pressure of the stores and DropPa·share² more, the
// share being that of its full flow, and CommonDropPa of what all deliver: that is
// taken anew at each event and stands between two. (The law of a machine that
// matches the demand has it in it, of its own flow and the full flow of those that
// deliver all or nothing; two that match the demand do not read each other.) Loaded, it delivers its full flow. Where it
// can match the demand its share is a falling function of the pressure: from 1 at
// CutOutPa-ModulationPa to nothing (Modulating, which never unloads) or to LeastShare
// (ModulateThenUnload, VariableDisplacement: unloads there) at CutOutPa. A variable
// speed machine holds TargetPa within 1 mbar either way, from full speed to
// LeastShare, and stays there until CutOutPa unloads it; several of the same target
// share alike. Between the points of the curve (and of drop and share, where there
// is a drop) flow and power are joined by straight lines over the pressure.
//
// A machine loads at CutInPa, from standing too, once LeastBetweenStarts has passed
// since its last start. After a start it loads if the pressure is still below
// CutOutPa. Air comes after DelayS, or less where the sump had not yet blown down:
// it has to be filled again. At CutOutPa it unloads, and delivers for RunOnS more,
// loaded, while its inlet closes. Unloaded for NoLoadStopS, it stops; StartStop stops at
// cut-out without unloading. A machine whose time is over (On) stops at once, and
// at its beginning starts when the pressure asks.
//
// # Order of events
//
// Several events at one time are taken in this order: the demand's step, the turn of
// a rotation, the watch, then machines in their order, and of each the schedule's edge, the
// timer's end, the pressure (loading before stopping); again until nothing is due. A
// plant that turns its machines faster than a hundred times a second ends the play
// with ErrRestless, which names the machine.
//
// Not here: temperature of stores, inertia of motors, air lost in blowing down.
package engine
