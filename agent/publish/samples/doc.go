// Package samples turns stored scans into the samples of remote write: the series
// of /metrics, with the label site, from a place in the record on and in its order.
//
// A Source reads only what is safe on the disk, so that a power cut never leaves a
// receiver with what the store has not. It cuts wall time into cells of one width,
// which begin at a moment of the site's own, so that many sites do not send at once. Of
// each cell a reading (pressure, temperature, power) is the last good value, stamped
// with the time of its own scan, device_up the last scan of the device, good or not,
// and a counter what the fold has added up after the cell's last scan, stamped with
// that scan's time. Once a local day, at noon, there is the quiet demand.
//
// A gap ends a series with the stale marker (remote.StaleBits): a cell that ends
// without a value after a good one, more than three periods of the poll group
// without a good one, or a stop of the agent. The marker lies between the last sample
// and the next. Counters are not ended: what they say of their time stays true.
//
// Counters come of a fold of the Source's own (analysis.Folder), stepped with the same
// scans in the same order as the store's, and so agree with /metrics and the figures.
// The fold's state is part of the Position. Where it cannot be used (the site file or
// learnt levels have changed, another version), it is taken from the store's summaries
// or made anew from the raw scans that are kept; a counter that falls then is the
// reset that every reader of counters knows.
//
// The stamps of a series only rise. What a clock that was set back puts at or behind
// the last stamp that was given is left out and counted (LeftOut), as are the scans
// of a clock that was never set. Scans that retention, damage or salvage took away
// before they were given are counted as missed.
//
// Where the record is not the one that the Position is of (an older backup was put
// back, an import undone, store.db exchanged), the Source goes on by wall time, behind
// what it last gave. It may be called from one goroutine; LeftOut and Place from any.
//
// The package sends nothing and keeps no file.
package samples
