// Package agent wires the parts of the daemon: lines are polled, scans go
// through one queue to the store's only writer, the fold steps with the store,
// and whoever shows data asks a View.
//
// An Agent is a View that also records. A View alone serves the commands when
// the agent is stopped. The package formats nothing and speaks no HTTP: the
// dashboard and the commands stand on it.
package agent
