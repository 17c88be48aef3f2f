// Package quantity parses and prints quantities with units: "185 cfm",
// "7.2 bar(g)", "45 kW". Inside the program every value is SI (pascal, cubic
// metre a second, watt, joule, kelvin, second, cubic metre, metre, ampere,
// volt, hertz); conversion happens here, at the edges.
//
// A pressure is gauge unless its unit says absolute ("psia", "bar(a)",
// "kPa(a)"). A flow says what it means: "cfm", "m³/min" and "l/s" are free air
// at the inlet; "scfm" and "Nm³/min" are dry air at a reference condition and
// carry it as FlowBasis. Temperatures are points on a scale (offset applied);
// "K" differences are not a separate dimension.
//
// A Unit converts; a Quantity is a number with its Unit; a Dimension is what is
// measured; a System is the set of units that people are shown. Letter case
// counts in unit spellings. All functions are pure and safe for concurrent use.
//
// Flows on different bases are not turned into each other here: that needs the
// inlet's condition, and is the matter of package air.
package quantity
