// Package poll asks devices for their values on schedule and makes Scans.
//
// Plan turns the channels of one scan.Group into Blocks: the fewest read
// requests that the register map allows. A Decoder turns the answers of those
// blocks into raw values, each with its quality. A GroupPoller joins the two:
// its Poll makes one Scan out of a Reader, be that a live line or a register
// image in memory, so that invented history and live data go through the very
// same code.
//
// A TextPoller does the same for a text device that answers questions. Where a
// device prints by itself, the line is only listened to: a set of prints makes
// a scan, and a silence of more than three periods makes a gap.
//
// A line that has a master already is never polled. With listen = true the
// values come from that master's traffic (Ears) and no byte is sent: a group
// has a scan for each of its periods in which the master read any of it. Any
// other serial line is listened to before it is asked, each time it is opened;
// while another master is heard its scans have the reason LineBusy, and it is
// listened to again every 30 s. What a map's verify expects is checked on a
// line that is only listened to as well, as far as the other master reads it.
//
// A Poller runs one goroutine for each line. Every group has its own period
// whose phase is fixed to the start of the line; a group that is late is served
// once and then waits for its next due time, so that a schedule neither drifts
// nor bunches up. A device that stays silent is probed seldom and briefly, so
// that its neighbours keep their periods. A lost port is opened again with
// growing pauses. While there are no values, bad Scans say why: a gap is a
// fact.
//
// Caveats: a GroupPoller learns which registers a device refuses to read along
// and forgets it when the process ends. Round trips are those of the last 128
// answers of a device.
//
// Non-goals: the package never writes to a device, keeps nothing on disk, and
// knows neither store nor analysis. It does not decide what happens when the
// Sink is full.
package poll
