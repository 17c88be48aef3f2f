// Package gum carries values with their uncertainty through formulas, after the
// GUM (JCGM 100), to first order.
//
// A Value is a number and its parts: for each named input the signed standard
// uncertainty that the input brings into it, c·u in the words of the GUM (c the
// sensitivity, u the input's standard uncertainty). An input's name is its
// identity: parts of one name are fully correlated, wherever they come from, and
// add with their signs; parts of different names are independent and add in
// squares. So two figures that rest on the same rated flow know it of each other,
// and a gauge's error cancels out of the difference of two of its readings. Names
// must therefore be the same letter by letter for the same thing, and different
// for different things: a gauge's accuracy is one name, the rounding of each of
// its readings another.
//
// Conventions:
//   - every u here is a standard uncertainty (one standard deviation; a limit ±a
//     of which no more is known counts a/√3). The intervals that the project
//     states are twice U, about 95 %; that factor is put in where a figure is
//     made, not here.
//   - degrees of freedom are not carried.
//   - results are the same to the last bit for the same operations in the same
//     order: parts are kept in the order of their names, sums are taken in it, and
//     each product is rounded by itself, so that no processor fuses it into a sum.
//
// First order leaves out what curvature does. TestMonteCarlo holds the formulas of
// the leak methods to a Monte Carlo calculation (JCGM 101), and
// TestWhereTheLinearFormBreaks has the numbers of the plain quotient 1/x. A stated
// interval of ±2u around it holds, for a divisor of relative u:
//
//	relative u of the divisor   5 %     10 %    15 %    20 %    25 %    30 %
//	normal                      95.2 %  94.6 %  93.6 %  92.3 %  90.9 %  89.4 %
//	rectangular                 100 %   98.1 %  94.4 %  91.2 %  88.5 %  86.1 %
//
// Sums, differences, products and logarithms are better than that. So a figure
// whose divisor is known to no better than 15 % (±30 % stated) is not covered as
// it says, and above 20 to 25 % should not be stated with an interval at all. A
// product of two values with no expected value of its own (0 ± u times 0 ± u) has
// no first-order uncertainty: H.1 of the GUM is such a case (31.7 nm in first
// order, 33.9 nm with the second; see TestEndGauge).
package gum
