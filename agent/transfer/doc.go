// Package transfer brings readings out of a store in forms that other programs
// read.
//
// ExportCSV writes stored scans as CSV (RFC 4180, UTF-8), long (one reading a
// row) or wide (one stamp a row, one column a channel). It streams: memory does
// not grow with the length of the window.
//
// AppendValue and Value turn raw counts into the map's unit in decimal
// arithmetic: 1034 counts at a scale of 0.1 print as 103.4, never as
// 103.39999999999999.
//
// Rows come in the order of the store's recording segments and, within a
// segment, in the order of their stamps. Where the wall clock stepped back,
// stamps repeat in the file: they are kept as recorded, not sorted away.
//
// The package opens no file and knows no wire.
package transfer
