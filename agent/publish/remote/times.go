package remote

import "slices"

// amongSeries looks for the series that are refused for their times, in quarters.
func (r *settling) amongSeries(series []Series, a answer, k known) bool {
	if len(series) == 1 {
		return r.inTime(series, a, k)
	}
	quarters := slices.Collect(slices.Chunk(series, (len(series)+3)/4))
	late, unclear := 0, r.unclear
	answers, of := make([]answer, len(quarters)), make([]known, len(quarters))
	for i, quarter := range quarters {
		var ok bool
		if answers[i], of[i], ok = r.put(quarter, k); !ok {
			return false
		}
		if answers[i].verdict == refused && ofTime(answers[i].reason) {
			late++
		}
	}
	var alone []Series
	if late == len(quarters) && k != splitBefore && unclear == r.unclear {
		var apart, ok bool
		if alone, apart, ok = r.oneTaken(quarters, a, k); !ok || !apart {
			return ok && r.inTime(slices.Concat(quarters...), a, k)
		}
	}
	if k == sentBefore && unclear == r.unclear {
		notThere(quarters, alone, answers, of)
	}
	for i, quarter := range quarters {
		switch {
		case answers[i].verdict == taken:
		case !ofTime(answers[i].reason):
			r.queue = append(r.queue, part{quarter, answers[i], of[i]})
		case !r.amongSeries(quarter, answers[i], of[i]):
			return false
		}
	}
	return true
}

// oneTaken sends single series of quarters that were all refused for their times, until
// one is not refused for that: then it is not the time, but a series or more of each
// quarter. What is settled is in no quarter any more, and alone is what was taken.
func (r *settling) oneTaken(quarters [][]Series, a answer, k known) (alone []Series, apart, ok bool) {
	if a.reason == ReasonTooOld { // that goes by the newest sample of any series
		return nil, false, true
	}
	each := seriesTried / len(quarters)
	for n := range each * len(quarters) {
		quarter := quarters[n%len(quarters)]
		if len(quarter) == 1 || r.requests >= mostUntaken {
			continue
		}
		i := len(quarter) * (n/len(quarters)*2 + 1) / (2 * each) // spread over it
		one := quarter[i : i+1]
		got, now, ok := r.put(one, k)
		late := ofTime(got.reason)
		switch {
		case !ok:
			return nil, false, false
		case late && !(now == sentBefore && k == fresh):
			continue
		case late: // it was taken, but the answer did not come
			r.there(one)
		case got.verdict != taken:
			return nil, true, true
		}
		quarters[n%len(quarters)] = slices.Concat(quarter[:i], quarter[i+1:])
		if !late {
			return one, true, true
		}
	}
	return nil, false, true
}

// notThere corrects what is known of quarters of what may be there whole, where one of
// them or a series alone was taken now: either none of it was there, or the receiver takes the like a second
// time. So it has another reason to refuse the rest.
func notThere(quarters [][]Series, alone []Series, answers []answer, of []known) {
	several := func(s Series) bool { return len(s.Samples) > 1 }
	one, some := len(alone) > 0, slices.ContainsFunc(alone, several)
	for i, quarter := range quarters {
		if answers[i].verdict == taken {
			one, some = true, some || slices.ContainsFunc(quarter, several)
		}
	}
	for i, quarter := range quarters {
		if some || one && !slices.ContainsFunc(quarter, several) {
			of[i] = fresh
		}
	}
}

// inTime sends series that are all refused for their times in slices of time, the
// oldest first. "Too old" says nothing of what is there: the receiver goes by the newest
// sample of any series, and what was sent before may never have come.
func (r *settling) inTime(series []Series, a answer, k known) bool {
	if k == sentBefore && a.reason != ReasonTooOld { // what is refused now was taken then
		r.there(series)
		return true
	}
	parts := inSlices(series, slicesOfTime)
	var last []Series // refused, and perhaps there in part
	for _, one := range parts {
		got, ok := a, true
		if len(parts) > 1 {
			got, _, ok = r.put(one, k)
		}
		switch {
		case !ok:
			return false
		case got.verdict == taken:
			if last != nil { // it holds the end of what is there, and what nobody can send any more
				r.late(last, a)
			}
			last = nil
			continue
		case !ofTime(got.reason):
			before := r.sent
			if !r.atOnce(part{one, got, k}) {
				return false
			}
			if last != nil && r.sent > before {
				r.late(last, a)
				last = nil
			}
			continue
		}
		if last != nil {
			r.there(last)
			last = nil
		}
		switch {
		case k <= fresh, got.reason == ReasonTooOld:
			r.late(one, got)
		case k == sentBefore, ofOneTime(one):
			r.there(one)
		default:
			last = one
		}
	}
	if last != nil {
		r.there(last)
	}
	return true
}

// late notes that some series are refused for good for their times.
func (r *settling) late(series []Series, a answer) {
	r.refusals = append(r.refusals, refusal{series, a})
	r.s.leaves(series)
	r.tries(series)
}

// there notes that some series are with the receiver already.
func (r *settling) there(series []Series) {
	r.took++
	r.s.foundThere(count(series))
	r.tries(series)
}
