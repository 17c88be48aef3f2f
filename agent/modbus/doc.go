// Package modbus reads Modbus devices over RTU, ASCII, TCP, and RTU over TCP.
// It has no write function.
//
// A Link is the open port or connection (OpenSerial, DialTCP). A Client asks
// over one Link, one request at a time, and gives the answer's data bytes or
// an error that says what went wrong:
//
//	link, err := modbus.DialTCP(ctx, "192.0.2.7:502")
//	...
//	client := modbus.NewClient(link, modbus.Config{Framing: modbus.TCP})
//	defer client.Close()
//	payload, err := client.Read(ctx, 1, frame.ReadRequest{Function: frame.ReadHoldingRegisters, Address: 40, Quantity: 8}, time.Second)
//
// RTU over TCP is a TCP link with the framing RTU and no baud rate.
//
// # What an answer must satisfy
//
// An answer counts only if its checksum, unit id, function and byte count fit
// the request. Its length comes from its own header; no pause ends a frame, so
// that an adapter that delivers in lumps does no harm. Reading starts at once.
// Whole frames that do not fit (another unit, another length) are stepped over
// while the time lasts, and so is noise before the answer; the read then either
// gives the right answer or says what came instead. Checksums cannot be
// switched off.
//
// # Late answers
//
// TCP frames carry a transaction number; an answer to an older request is
// skipped, and after a timeout the connection is closed: the Client is then
// lost (Err) and the caller opens anew.
//
// RTU and ASCII answers carry nothing that ties them to a request. After a
// request without an answer the Client
//
//   - waits until the line has been silent and for one longest frame, before it
//     asks anybody;
//   - does not repeat a request of the same shape (unit, function, byte count)
//     before max(its timeout, one longest frame, 1.5 times the worst lateness
//     seen of that unit of late: it fades by a 64th with each answer) after its
//     deadline; a late answer that comes in that time is recognised, discarded
//     and learnt from, and ends the wait;
//   - holds the first answer of that shape back until no other has followed for
//     max(50 ms, the unit's slowest reply), at most the timeout, and takes the
//     last: a device that was held up answers its requests in a row.
//
// This leaves one hole, and it is the bound of what is promised: an answer that
// comes later than that wait, while a request of the same shape is out whose
// own answer does not follow, would be taken for the new answer. Requests of another shape cannot be mistaken;
// who repeats a lost request with another quantity closes the hole for devices
// that answer in order. A damaged frame that passes a CRC (1 in 65,536 of badly
// damaged ones) or an LRC (1 in 256; one damaged character never passes) is
// outside the promise too, and so is a device that answers one request twice
// with more than t3.5 between.
//
// # Echo
//
// Some RS-485 adapters return what was sent. A frame that equals the sent one
// in full, checksum included, is taken out (echo on and auto). One kind of
// request makes echo and answer look alike: 17 to 24 coils or discrete inputs
// from an address of 0x0300 to 0x03FF. With auto such a read fails with
// ErrWrongAnswer when only one such frame comes; set echo on or off there.
//
// # Listening
//
// A Listener takes the reads of another master from the line and sends nothing.
// It tells frames by the length in their own head and their CRC (in ASCII by
// colon and CR LF), by no pause, and steps over what is no frame byte by byte.
// A head can be read as a request and as an answer. Both are tried: the answer
// to the request that is open first, then a request, then any other answer; the
// CRC decides. Eight bytes that fit both ways with one CRC, which only an
// answer of 17 to 24 bits can, are held until the next frame tells.
//
// Answers carry no address. One counts only behind its request; what else comes
// in between closes the request. Where a read had no answer and the next to that
// unit has the same shape (function and byte count) but another address, the
// answer is left out, for it may be the first one's, late. A device that stays
// one request behind for longer deceives its own master and, with it, the
// Listener. Frames of functions other than 01 to 06, 0F and 10 are stepped over
// as noise.
//
// A Client can listen before it asks for the first time (ListenFirst): requests
// heard then are another master's.
//
// # Time budget of a read
//
// Silence before it (t3.5 and the line's turnaround, longer after a failure),
// the request's time on the wire, the timeout until the answer begins, the
// answer's time on the wire. Every wait ends with the context, and with Close.
//
// Not here: writing, broadcast, serving, schedules, retries and reconnecting
// (package poll).
package modbus
