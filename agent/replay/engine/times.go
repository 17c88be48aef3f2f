package engine

import "math"

// times goes through spans as time goes on.
type times struct {
	spans []Span
	next  int     // of spans: the present or the next one
	on    bool    // a span holds
	edgeS float64 // when that changes
}

// timesOf begins at a time; nil: they always hold.
func timesOf(spans []Span, tS float64) times {
	t := times{spans: spans, on: spans == nil, edgeS: math.Inf(1)}
	if spans != nil {
		t.edgeS = tS
		t.pass(tS)
	}
	return t
}

// pass goes over the edges up to a time; false: there was none.
func (t *times) pass(tS float64) bool {
	if tS < t.edgeS {
		return false
	}
	for t.next < len(t.spans) && t.spans[t.next].ToS <= tS {
		t.next++
	}
	switch {
	case t.next == len(t.spans):
		t.on, t.edgeS = false, math.Inf(1)
	case tS < t.spans[t.next].FromS:
		t.on, t.edgeS = false, t.spans[t.next].FromS
	default:
		t.on, t.edgeS = true, t.spans[t.next].ToS
	}
	return true
}
