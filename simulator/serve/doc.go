// Package serve puts a simulated plant on the wire: Modbus TCP, or RTU over
// TCP, on a listener, Modbus RTU or ASCII on anything that reads and writes,
// paced to a baud rate, and pseudo-terminals to hold the latter.
//
// A Driver moves a World with the wall clock and answers for its devices by
// unit id; it is the one lock between the servers. An Injector damages answers
// on purpose, seeded and counted, so that a test can hold a client's error
// counters to what was done to it.
//
// The servers answer reads only: a request to write gets exception 01.
package serve
