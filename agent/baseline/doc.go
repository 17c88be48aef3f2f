// Package baseline is the statistics of a comparison of two periods: a straight
// model of energy fitted to the period before a change, projected on what drove
// the plant in the period after it, and what was saved against it, with an
// interval.
//
// [Regress] fits ordinary least squares with an intercept; [Fit.Save] projects
// the fit. Two things are allowed for that hide in hourly data. Hours that
// follow one another err alike, so that there are fewer independent ones than
// were counted: n' = n(1−ρ)/(1+ρ) with the lag-1 autocorrelation ρ of the
// residuals. And days differ from each other: the residuals are summed by day,
// and the spread of those sums makes a second interval. The wider of the two
// is stated.
//
// ASHRAE Guideline 14 and the IPMVP were not read for this package. What is
// said of them (CV(RMSE) and NMBE with n−p, n', the fractional savings
// uncertainty with its factor 1.26, the limits of [Limits]) is from memory.
//
// The package knows no compressor, no clock and no unit. Products are rounded
// one by one, so that every processor gives the same bits.
package baseline
