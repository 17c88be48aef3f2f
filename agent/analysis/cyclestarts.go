package analysis

import (
	"cmp"
	"fmt"
	"slices"

	"loadscribe/agent/sitefile"
)

// StartsSeen is every start of the motor against what it bears.
type StartsSeen struct {
	Total int `json:"total"`
	// Limit is the most in any 60 minutes, left out where there is none;
	// LimitBasis says whose it is, or why there is none.
	Limit      *float64 `json:"limit,omitempty"`
	LimitBasis string   `json:"limit_basis"`
	// Most is the most within any 60 minutes, first those from BusiestFrom to BusiestTo,
	// which are left out without a start.
	Most        int    `json:"most"`
	AtLeast     bool   `json:"at_least,omitempty"` // part of the window was not observed
	BusiestFrom string `json:"busiest_from,omitempty"`
	BusiestTo   string `json:"busiest_to,omitempty"`
	// Over is how many starts were more than the limit allows in the hour before them.
	Over int         `json:"over"`
	List []SeenStart `json:"list"`
	// Rolling is how many starts lie in the 60 minutes before each moment, as steps
	// that hold until the next.
	Rolling []RollingStarts `json:"rolling"`
	// NoLoadStop is after how long unloaded it stops by itself, in s, where the stops
	// tell that; StopBasis says how.
	NoLoadStop *float64 `json:"no_load_stop_s,omitempty"`
	StopBasis  string   `json:"stop_basis"`
}

// SeenStart is one start.
type SeenStart struct {
	At     string   `json:"at"`
	From   string   `json:"from"`             // the state before it
	RestS  *float64 `json:"rest_s,omitempty"` // since the motor stopped; left out: not known
	InHour int      `json:"in_hour"`          // starts in the 60 minutes that end with it
	// AfterLoss: by itself after the supply had failed.
	AfterLoss bool `json:"after_power_failure,omitempty"`
}

// RollingStarts is a step.
type RollingStarts struct {
	At     string `json:"at"`
	Starts int    `json:"starts"`
}

// maxRolling bounds the steps; of more, each tells the most in its part of the window.
const maxRolling = 1200

// startsSeen tells of the starts; out takes the notes.
func (s *sheet) startsSeen(m *sitefile.Machine, limit int, out *Cycles) StartsSeen {
	starts := s.g.total.starts
	counts := rollingCounts(starts)
	seen := StartsSeen{Total: len(starts), AtLeast: s.partial, List: []SeenStart{}, Rolling: []RollingStarts{}}
	most, basis, limited := startsLimit(m)
	seen.LimitBasis = basis
	if limited {
		seen.Limit = &most
	}
	list := make([]SeenStart, len(starts))
	for i := range starts {
		st := &starts[i]
		list[i] = SeenStart{At: stamp(st.wall), From: st.from.String(), InHour: counts[i], AfterLoss: st.afterLoss}
		if st.restMS > 0 {
			list[i].RestS = number64(float64(st.restMS) / 1000)
		}
		if limited && float64(counts[i]) > most {
			seen.Over++
		}
	}
	if n, first := rollingMost(starts); n > 0 {
		begin := starts[first].wall
		seen.Most, seen.BusiestFrom, seen.BusiestTo = n, stamp(begin), stamp(begin+hourMS)
	}
	seen.List = append(seen.List, everySoMany(list, limit)...)
	if len(seen.List) < len(list) {
		out.Notes = append(out.Notes, notAll(len(seen.List), len(list), "starts"))
	}
	steps := rollingSteps(starts, counts)
	seen.Rolling = append(seen.Rolling, fewer(steps, s.g.from, s.g.to)...)
	if len(steps) > maxRolling {
		out.Notes = append(out.Notes, fmt.Sprintf("of the starts within 60 minutes, the most in each %s of the window", inWords((s.g.to-s.g.from)/maxRolling)))
	}
	switch t := s.noLoadTimer(); {
	case t.told() && t.count >= 2:
		seen.NoLoadStop, seen.StopBasis = number64(float64(t.ms)/1000), t.text()
	case t.stops > 0:
		seen.StopBasis = fmt.Sprintf("the %s after more unloaded running than a load ever ended came after unlike times, or too few to tell a timer", counted(t.stops, "stop", "stops"))
	default:
		seen.StopBasis = "no stop came after more unloaded running than a load ever ended"
	}
	return seen
}

// rollingStep is a change of how many starts lie within the last 60 minutes.
type rollingStep struct {
	wall int64
	n    int
}

// rollingSteps goes up with each start, to the count that rollingMost takes, and down
// 60 minutes after it.
func rollingSteps(starts []start, counts []int) []rollingStep {
	type mark struct {
		wall int64
		rise int // the count at a start; 0: one has left the hour
	}
	var marks []mark
	for i := range starts {
		marks = append(marks, mark{starts[i].wall, counts[i]}, mark{starts[i].wall + hourMS, 0})
	}
	// At one moment the start that leaves the hour goes before the one that comes.
	slices.SortStableFunc(marks, func(a, b mark) int { return cmp.Or(cmp.Compare(a.wall, b.wall), cmp.Compare(a.rise, b.rise)) })
	var steps []rollingStep
	n := 0
	for _, k := range marks {
		n = max(n-1, 0)
		if k.rise > 0 {
			n = k.rise
		}
		if last := len(steps) - 1; last >= 0 && steps[last].wall == k.wall {
			steps[last].n = n
		} else {
			steps = append(steps, rollingStep{k.wall, n})
		}
	}
	return steps
}

// fewer keeps the most of each part of the window where there are too many steps.
func fewer(steps []rollingStep, from, to int64) (all []RollingStarts) {
	if len(steps) > maxRolling {
		width := max((to-from)/maxRolling, 1)
		most := make([]int, maxRolling+1)
		n := 0
		for i, at := 0, int64(0); at <= maxRolling; at++ {
			most[at] = n
			for i < len(steps) && steps[i].wall < from+(at+1)*width {
				n = steps[i].n
				most[at] = max(most[at], n)
				i++
			}
		}
		steps = steps[:0:0]
		for at, n := range most {
			if len(steps) == 0 || steps[len(steps)-1].n != n {
				steps = append(steps, rollingStep{from + int64(at)*width, n})
			}
		}
	}
	for _, k := range steps {
		if k.wall < to {
			all = append(all, RollingStarts{stamp(k.wall), k.n})
		}
	}
	return all
}

func notAll(listed, total int, what string) string {
	return fmt.Sprintf("%d of %d %s are listed, evenly chosen", listed, total, what)
}
