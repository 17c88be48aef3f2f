// Package stage records a simulated plant the way the agent would have: it
// lays out a site file and register maps that fit a scenario, and polls the
// plant's register images with poll's own requests and decoder.
//
// Data goes register image → poll's decoder → Scan → store (or any other sink),
// as live data does; only the wire and the waiting are left out. A device
// without power does not answer, so that its scans are gaps with the reason
// "timeout". (A live line asks a silent device more and more seldom; here it is
// asked each time.)
//
// Tests stage a scenario and hold what was found against World.Truth; the demo
// fills its week through a Feed; "simulate --write-site" uses WriteSite.
package stage
