package chart

import "strconv"

// sixDigits writes a finite number as short as six digits allow, without a power
// of ten that JSON would not take.
func sixDigits(x float64) string {
	if x == 0 {
		return "0"
	}
	return strconv.FormatFloat(x, 'g', 6, 64)
}
