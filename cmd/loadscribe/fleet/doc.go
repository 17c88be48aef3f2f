// Package fleet stages many shops that send to one receiver, for tests and the bench:
// each is a simulated plant with a store of its own, and the sender of a running agent
// behind it. Data goes register image → decoder → scan → store → samples → remote
// write, as it does in an agent; the line and the waiting are left out, so that a day
// passes in a second.
//
// A Shop goes on by Record, which plays the plant up to a time, and Deliver, which
// waits until the receiver has all of it. Between the two it stands as an agent does
// whose network is down. Given is what its record gave to the sender, for whoever
// compares that with what the receiver has.
//
// A Wire carries requests as the sender's own connections do and counts the bytes that
// pass, heads and answers among them, without what TCP and IP add.
//
// The package starts no program: who uses it brings the receiver.
package fleet
