package analysis

// mostlyMS are the widths that states are told in where a window holds too many
// changes: each fits into a day, so that the parts of days stay apart.
var mostlyMS = [...]int64{60_000, 120_000, 300_000, 900_000, 1_800_000, hourMS, 2 * hourMS, 6 * hourMS, 12 * hourMS, 24 * hourMS}

// Mostly says of each part of a window of runs what was the most of it, where
// there are more than twice as many runs as parts are wanted: a year of loads and
// unloads is more than anybody can draw. stepMS is the parts' width; 0: the runs
// are as they were. Runs follow one another without holes.
func Mostly(runs []Run, most int) (told []Run, stepMS int64) {
	most = max(most, 1)
	if len(runs) <= 2*most {
		return runs, 0
	}
	from, to := runs[0].FromMS, runs[len(runs)-1].ToMS
	stepMS = mostlyMS[len(mostlyMS)-1]
	for _, w := range mostlyMS {
		if (to-from)/w <= int64(most) {
			stepMS = w
			break
		}
	}
	b := &band{at: from, to: to}
	next := 0
	for at := from; at < to; {
		end := min(to, at-mod(at, stepMS)+stepMS)
		var state State
		var reason string
		state, reason, next = mostOf(runs, next, at, end)
		if b.state != state || b.reason != reason || at == from {
			b.until(at, state, reason)
		}
		at = end
	}
	b.until(to, Unobserved, "")
	return b.runs, stepMS
}

// mostOf is the state that held longest in a part, and the reason of its longest
// run; of two the one that comes first. next is the first run that reaches into
// the part, and of the answer the first that reaches beyond it.
func mostOf(runs []Run, next int, from, to int64) (State, string, int) {
	var inStates, longest [numStates]int64
	var reasons [numStates]string
	best, seen := Unobserved, false
	for ; next < len(runs); next++ {
		r := &runs[next]
		ms := min(r.ToMS, to) - max(r.FromMS, from)
		if ms > 0 {
			if inStates[r.State] += ms; ms > longest[r.State] {
				longest[r.State], reasons[r.State] = ms, r.Reason
			}
			if !seen || inStates[r.State] > inStates[best] {
				best, seen = r.State, true
			}
		}
		if r.ToMS > to {
			break
		}
	}
	return best, reasons[best], next
}
