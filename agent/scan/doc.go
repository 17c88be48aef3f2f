// Package scan holds what a line hands on and the store keeps: the Scan, the
// Group of channels it belongs to, and the reasons why a value can be missing.
//
// A Channel is one value of one device; its id is "device.channel" everywhere.
// A Group is the channels of one device that are read together with one
// period. A Scan is all values of one Group at one time, or the reason there
// are none.
//
// Values are raw: integer counts, IEEE 754 bits or decimal digits exactly as
// the wire said them, in an int64 whose meaning the channel's Kind gives.
// Scale, offset and unit live in the Channel and are applied only when a value
// is shown or folded, so that a wrong scale can be put right afterwards.
//
// The package knows no file, no wire and no formula of the trade.
package scan
