// Package page renders a report to one HTML file that needs nothing else: no other
// file, no network, no script. It reads on a wide screen and a phone, light and dark,
// and prints on Letter and A4.
//
// Every number of the document is a data element: its value is the number in its own
// unit, data-at the JSON pointer to it in report.json. Whatever else is text comes from
// the document too, escaped, with what could reorder or hide text around it made
// visible. A policy in the head forbids scripts and requests, so that a mistake here
// would still do no harm.
//
// The markup is also well-formed XML, so that other programs can take it apart.
//
// Not here: what the report says (package report), what pictures look like (package
// chart).
package page
