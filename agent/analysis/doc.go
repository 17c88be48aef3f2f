// Package analysis turns stored scans into states and figures.
//
// A Folder folds scans one by one, in the store's order, into small summaries
// ("pieces") of one machine or system, one 15-minute cell of UTC time and one
// recording segment. It implements store.Summariser. A piece holds a delta,
// which merges with others by addition and concatenation, and the carry before
// and after it, which holds what hysteresis, dwell and open load cycles need.
//
// Compute makes every figure of a window from pieces, and from raw scans where
// the window cuts a cell. Everything carried or merged is an integer: a figure
// is the same to the last bit whether it comes from pieces, from scans not yet
// sealed, or from all raw scans in one go. Floating point appears only in
// Compute's last step, whose order is fixed and whose products are rounded
// one by one, so that a processor that fuses multiply and add agrees too.
//
// Conventions of time. A pair of good values belongs to the cell of the later
// scan's wall time; its length is the difference of monotonic times. A state
// holds from the scan that showed it to the next; analogue values are joined
// by straight lines; counters count by difference. Time between two good scans
// longer than three periods of their group is unobserved.
//
// Not here: other settings replayed, alarms, reports. Summaries know no price,
// no tariff and no rated flow; those are applied when a figure is asked for.
package analysis
