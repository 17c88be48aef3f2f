// Package workbook writes the figures of a report as a workbook (XLSX): numbers a
// reader can take further, with formulas where a price may be changed.
//
// Values are in the site's units, a column names its unit, times are given in the
// site's zone and in UTC. Cells that are meant to be changed stand on the sheet Prices
// and in the column "price of a saved kWh"; as written, every formula gives what the
// report says, and the result is stored beside it for readers that do not reckon.
//
// Texts of the site file are written as texts, so that one that begins with "=" is
// none of our formulas. The same document gives the same bytes.
package workbook
