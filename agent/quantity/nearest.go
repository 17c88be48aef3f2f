package quantity

import (
	"strings"
	"unicode/utf8"
)

// longestCompared bounds the work of Nearest, in bytes; names are short.
const longestCompared = 64

// Nearest returns the known name that is most like name, or "" if none is
// near: at most a third of the letters (at least one, a difference of case
// alone always) may differ. Of equals the first wins. It serves the "did you
// mean" of error messages.
func Nearest(name string, known []string) string {
	if name == "" || len(name) > longestCompared {
		return ""
	}
	folded := strings.ToLower(name)
	best, bestDistance := "", 1+max(1, utf8.RuneCountInString(name)/3)
	for _, k := range known {
		if d := editDistance(folded, strings.ToLower(k)); d < bestDistance {
			best, bestDistance = k, d
		}
	}
	return best
}

// editDistance counts the insertions, deletions, substitutions and swaps of
// neighbours between a and b (optimal string alignment).
func editDistance(a, b string) int {
	ra, rb := []rune(a), []rune(b)
	before, last := make([]int, len(rb)+1), make([]int, len(rb)+1)
	now := make([]int, len(rb)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(ra); i++ {
		now[0] = i
		for j := 1; j <= len(rb); j++ {
			cost := 1
			if ra[i-1] == rb[j-1] {
				cost = 0
			}
			now[j] = min(last[j]+1, now[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				now[j] = min(now[j], before[j-2]+1)
			}
		}
		before, last, now = last, now, before
	}
	return last[len(rb)]
}
