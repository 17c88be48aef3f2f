// Package store keeps every scan, losslessly, in a data directory: an
// append-only journal for what is new and one bbolt file for what is sealed.
// FORMAT.md documents every byte of both.
//
// One Store writes (Open) and holds the directory's lock. Scans enter through
// Append, get their sequence number and recording segment, and are safe on
// disk within a second; DurableSeq names the last safe one. When the hour
// turns, the hour's scans of all devices are sealed in one transaction: a
// block of compressed columns a device, the cells of the zoom pyramid, the
// pieces of the Summariser, the events, and sealed_seq. Then the finished
// journal files are deleted.
//
// Scans, Series, Events and Pieces read sealed and unsealed data alike, from
// any goroutine, while the writer writes. No byte slice of the database ever
// leaves the package. OpenReadOnly reads a stopped store.
//
// Caveats: raw counts are exact for all kinds; sums in cells are exact for the
// integer kinds and double precision, taken in the order of arrival, for floats
// and decimals. Wall time labels and may repeat or go back; the order is that
// of the sequence numbers.
//
// The package knows no device, no formula and no figure. It does not keep a
// file on a network share, where locks and maps cannot be relied on.
package store
