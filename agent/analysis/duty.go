package analysis

import "loadscribe/agent/scan"

const (
	// failedStartMS is how soon after it came on a motor that was off again
	// without having loaded has failed to start (common practice, no source).
	failedStartMS = 60_000
	// lossMS is how long after the machine answers again a start counts as one
	// by itself after a power failure: a restart waits tens of seconds (common
	// practice, no source).
	lossMS = 600_000
	// changeoverMS is how long the motor may be off within its start phase: a
	// wye-delta changeover takes a tenth of a second, a reading may fall into it.
	changeoverMS = 1_000
)

// dutyCarry is what counting starts must remember.
type dutyCarry struct {
	inRun   bool  // the run that goes on was seen to start
	loaded  bool  // and has loaded since
	runMono int64 // when it started
	ran     bool  // the machine ran when it was lost from sight
	lost    bool  // it stood when it was seen again
	// lostMono is since when it is seen again.
	lostMono int64
	dropped  bool // off within the start phase
	dropMono int64
}

// forget is what a gap does; ran is whether the machine ran before it.
func (u *dutyCarry) forget(ran bool) { *u = dutyCarry{ran: ran || u.ran} }

// silent reports whether a gap's reason fits a machine without power: its
// controller did not answer.
func silent(why scan.Reason) bool { return why == scan.Timeout || why == scan.PortGone }

// found takes note of the first state after a gap.
func (u *dutyCarry) found(st State, why scan.Reason, mono int64) {
	if u.ran && silent(why) && !st.Running() {
		u.lost, u.lostMono = true, mono
	}
	u.ran = false
}

// started takes note of a start and reports whether it follows a power failure.
func (u *dutyCarry) started(mono int64) (afterLoss bool) {
	afterLoss = u.lost && mono-u.lostMono <= lossMS
	*u = dutyCarry{inRun: true, runMono: mono}
	return afterLoss
}

// stopped takes note of a stop; why is what was wrong with the readings before
// it. It reports whether the start had failed.
func (u *dutyCarry) stopped(mono int64, why scan.Reason) (failed bool) {
	failed = u.inRun && !u.loaded && mono-u.runMono <= failedStartMS
	*u = dutyCarry{lost: silent(why)}
	if u.lost {
		u.lostMono = mono
	}
	return failed
}

// changeover reports whether a motor that is off within its start phase is
// taken to be on: one reading may fall between wye and delta.
func (u *dutyCarry) changeover(mono int64) bool {
	if !u.dropped {
		u.dropped, u.dropMono = true, mono
	}
	return mono-u.dropMono < changeoverMS
}

func (u *dutyCarry) resume() { u.dropped, u.dropMono = false, 0 }

func (u *dutyCarry) encode(b []byte, mono int64) []byte {
	b = append(b, flags(u.inRun, u.loaded, u.ran, u.lost, u.dropped))
	if u.inRun {
		b = appendSigned(b, u.runMono-mono)
	}
	if u.lost {
		b = appendSigned(b, u.lostMono-mono)
	}
	if u.dropped {
		b = appendSigned(b, u.dropMono-mono)
	}
	return b
}

func (u *dutyCarry) decode(r *reader, mono int64) {
	f := r.byteBelow(32)
	u.inRun, u.loaded, u.ran, u.lost, u.dropped = f&1 != 0, f&2 != 0, f&4 != 0, f&8 != 0, f&16 != 0
	if u.inRun {
		u.runMono = r.signed() + mono
	}
	if u.lost {
		u.lostMono = r.signed() + mono
	}
	if u.dropped {
		u.dropMono = r.signed() + mono
	}
}
