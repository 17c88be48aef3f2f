// Package demo builds the invented shop: a site file with its maps, a simulated
// plant behind it, and a week of history.
//
// The history goes the way that live data goes: the plant's register images
// are read with poll's requests and decoder, the scans are appended to the
// store, and the fold steps with them. Only the wire and the waiting are left
// out.
//
// What a Shop needs to go on after a stop is in its directory: demo.json says
// when its story begins, and the same story gives the same plant.
package demo
