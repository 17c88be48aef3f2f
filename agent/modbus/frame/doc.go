// Package frame turns Modbus requests and answers into wire bytes and back.
//
// It is pure: no input or output, no clock, no state. What appends, appends to
// a slice the caller gives, and allocates only where that slice is too small;
// what decodes returns parts of its input, never copies (ASCII excepted, which
// decodes into a slice the caller gives).
//
// A PDU is the function code and its data. A frame is a PDU with its unit id
// and what the framing adds: a CRC on RTU, colon, LRC and CR LF on ASCII, the
// seven-byte header on TCP.
//
// Only reads have an encoder here (functions 1 to 4, and 2B/0E). There is no function
// that makes a write request, in this package or elsewhere in the agent; the
// length of write requests is known only so that a server can take them whole
// and refuse them.
//
// Sources: Modbus Application Protocol V1.1b3, Modbus over Serial Line V1.02,
// Modbus Messaging on TCP/IP Implementation Guide V1.0b.
package frame
