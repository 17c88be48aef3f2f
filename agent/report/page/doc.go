// Package page renders a report to one HTML file that needs nothing else.
package page
