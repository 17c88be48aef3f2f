// Package print renders a report to PDF, without a browser.
//
// PDF lays a Document out on Letter where the site's units are US ones, on A4
// otherwise. A block becomes pieces, each of a height that is known before it is
// drawn; the flow sets pieces below one another and turns the page between two that
// need not stay together. Heads and feet are drawn last, when the number of pages is
// known. All lengths are points.
//
// The file says nothing that the Document does not, has the fonts it needs in it, and
// is the same to the byte whenever it is made of the same Document: its dates are the
// report's own. Letters that the fonts lack become a box, and the first page says so.
//
// Not here: pictures (package chart), and tags for screen readers, which the writer of
// PDFs does not know: report.html is the one to be read aloud.
package print
