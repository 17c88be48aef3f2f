// Package peers finds the independent programs that tests hold loadscribe against.
// Where one is missing the test is a visible skip; under LOADSCRIBE_PEERS=require, as
// in .ci/run, it fails. For tests and the bench alone: it is in no binary that is shipped.
//
// Prometheus runs Debian's, the receiver and scraper that metrics are held against.
package peers
