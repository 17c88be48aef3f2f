package alarm

import (
	"math"
	"testing"
)

// TestLimit: bad beyond the limit, fine inside it by the deadband, between in between.
func TestLimit(t *testing.T) {
	above := Limit{At: 105, Back: 3}
	below := Limit{At: 90, Back: 2, Below: true}
	starts := Limit{At: 6, Reached: true}
	none := Limit{At: 60}
	for _, tt := range []struct {
		name  string
		limit Limit
		value float64
		want  Verdict
	}{
		{"above it", above, 105.1, Bad}, {"at it", above, 105, Between}, {"in the deadband", above, 102.1, Between}, {"back by the deadband", above, 102, Fine},
		{"far inside", above, 20, Fine},
		{"below it", below, 89.9, Bad}, {"at the lower limit", below, 90, Between}, {"in the lower deadband", below, 91.9, Between}, {"back from below", below, 92, Fine},
		{"fewer than may be", starts, 5, Fine}, {"as many as may be", starts, 6, Bad}, {"more", starts, 7, Bad},
		{"no deadband, at it", none, 60, Fine}, {"no deadband, above", none, 61, Bad},
		{"no number", above, math.NaN(), Between}, {"no number below", below, math.NaN(), Between},
		{"beyond all", above, math.Inf(1), Bad}, {"beyond all, below", below, math.Inf(1), Fine},
	} {
		if got := tt.limit.Judge(tt.value); got != tt.want {
			t.Errorf("%s: %g against %+v is %d, want %d", tt.name, tt.value, tt.limit, got, tt.want)
		}
	}
}
