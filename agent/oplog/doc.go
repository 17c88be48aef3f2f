// Package oplog is the log that whoever looks after a running agent reads: lines on
// standard error, for the systemd journal or for a person, a file that rotates, and the
// system's own event log.
//
// Open gives a slog.Logger that limits what repeats: of records of one level and message
// that name the same things (line, device, path …) the first is written at once, then one
// a minute that says how many there were (repeated=41). Numbers in a message do not make
// it another one. The table that knows them is bounded: what finds no place in it, as when
// somebody sends ever new nonsense, is written up to a number a minute and then counted.
//
// Writing never holds up who logs: a line goes into a bounded queue of each place it is
// written to, and a disk or a terminal that takes nothing costs lines, which are counted
// and told, never readings.
//
// Caveats: the repeats are those of this process. Lines that wait are lost when the process
// is killed. On Windows a file that another program holds open cannot be rotated; it is
// begun anew once it is twice its size.
//
// Non-goals: no levels by package, no log over a network, no reading of logs. What
// happened at the machines is in the store's events, not here.
package oplog
