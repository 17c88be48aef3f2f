// Package publish gives the agent's readings and figures to monitoring systems.
//
// Handler serves Prometheus metrics from a Source, which hands over a Snapshot:
// all that a scrape shows, taken from memory. A scrape never touches a line or the
// disk, and makes no figure of a window.
//
// Names have the prefix loadscribe_ and base units (pascals, celsius, watts,
// joules, seconds, bytes, cubic meters); _total is only for what never falls,
// counted since the store began or, where its help says so, since the agent
// started. Labels are system, machine, device, channel, role, state and reason, so the
// number of series is fixed by the site file; site is set by who scrapes. A gauge whose
// scan is older than three periods is absent: it does not freeze at its last value. What
// is not known is absent too, never zero.
//
// Family is the one list of names, labels and conversions: what is scraped and what is
// sent on are put through it.
//
// Durations is the one type with state here: a histogram that the polling fills.
//
// The package serves no figures that need a window, which are the HTTP API's, but for
// the quiet demand of the last seven days, which the agent looks at beforehand.
package publish
