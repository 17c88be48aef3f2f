// Package publish gives the agent's readings and figures to monitoring systems.
//
// Handler serves Prometheus metrics from a Source, which hands over a Snapshot:
// all that a scrape shows, taken from memory. A scrape never touches a line, the
// disk or the analysis.
//
// Names have the prefix loadscribe_ and base units (pascals, celsius, watts,
// joules, seconds, bytes, cubic meters); _total is only for what never falls,
// counted since the store began. Labels are machine, device, role, state and
// reason, so the number of series is fixed by the site file. A gauge whose scan
// is older than three periods is absent: it does not freeze at its last value.
//
// Family is the one list of names, labels and conversions: what is scraped and what is
// sent on are put through it.
//
// Durations is the one type with state here: a histogram that the polling fills.
//
// The package serves no figures that need a window; those are the HTTP API's.
package publish
