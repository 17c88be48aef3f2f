// Package display shows figures, cells of tables and durations to people: in the
// site's units, with no more digits than the uncertainty warrants. The command line
// and the reports show a number by the same functions, so that they cannot differ.
//
// All functions are pure. They return text; nothing that they return is read again.
package display
