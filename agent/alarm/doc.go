// Package alarm judges rules of the site file by what is seen and keeps what stands.
//
// A Rule is one [[alarm]]; a Point is one rule on one subject (a machine, a system, a
// device, a channel, the disk). See takes what is seen of a point and returns the
// Records that follow: raised, returned. The Book holds what stands, what was
// acknowledged and what is shelved; it is made of Records alone, so that a restart
// makes it again of those that were stored. The words are those of ANSI/ISA-18.2 and
// IEC 62682 (from memory): an alarm is raised after its on-delay, returns after its
// off-delay and by its deadband, stands until it has returned and was acknowledged.
//
// Delays count in monotonic time between readings. Over a gap nothing is inferred: a
// point is blind then, it neither raises nor returns, and a delay begins anew behind
// it. Only shelving ends by the wall clock.
//
// The package has no clock, no goroutine and no lock: the caller gives the times and
// uses an Engine from one goroutine at a time. It sends nothing. It is no safety
// device, and nothing in it reaches a machine.
package alarm
