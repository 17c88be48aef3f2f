// Package report turns a window of a record into the document that an auditor hands
// over. Build makes a Document of Data that package agent has gathered; sub-packages
// render it: page (HTML), print (PDF) and workbook (XLSX). report.json is the Document
// itself.
//
// The renderings say nothing that the Document does not: every number in them is a Run
// with a JSON pointer to where the number stands in report.json, and what stands below
// /data/figures is what summary --json prints. Build and the renderings are functions
// of their arguments alone: no clock, no chance, no order of a map, so that a report
// can be made again byte for byte.
//
// Not here: figures (package analysis), other settings (package replay), and how to
// draw (package chart).
package report
