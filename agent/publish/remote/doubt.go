package remote

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
)

// A receiver may refuse whatever it gets for a while, in the midst of a batch too: its
// tenants are gone after a reload, and come back. So a refusal for another reason than
// time is final only between two answers that show that the receiver works: something
// of the batch was taken before it, or refused for its times, and something after it.
//
//   - What was refused before the first such answer is in doubt, and sent once more at
//     the end of the batch.
//   - Behind a series of which something was refused last, a sample that the receiver took
//     before, or minded for its time, is sent once more. If it is refused now in the same words, the
//     receiver refuses everything: that is held as a fault, for a day at most, and the
//     series is sent again once the sample is taken. After such a day the next sample that
//     is taken is sent twice: where that is refused, its words are no fault from then on.

// mostDoubted is how long refusals are held because the receiver refuses what it took
// before: there may be one that minds a sample only because it has it.
const mostDoubted = 24 * time.Hour

// judged notes an answer that shows that the receiver works.
func (r *settling) judged() {
	if !r.works {
		r.works, r.blind = true, r.requests
	}
	r.ends()
}

// ends judges what was refused alone since the last such answer.
func (r *settling) ends() {
	r.final(r.since)
	r.since = nil
}

// tries keeps the newest sample of a series that the receiver took, or a sample that it
// minded for its time, to see by it later whether it still works.
func (r *settling) tries(series []Series) {
	last := series[len(series)-1]
	r.s.trial = &Series{last.Labels, last.Samples[len(last.Samples)-1:]}
}

// final notes that parts are refused for good, but for those that are in doubt.
func (r *settling) final(parts []part) {
	for _, p := range parts {
		if p.answer.request <= r.blind {
			r.doubts = append(r.doubts, p)
		} else {
			r.refusals = append(r.refusals, refusal{p.series, p.answer})
		}
	}
}

// one looks for what the receiver minds in a series that was refused.
func (r *settling) one(p part) bool {
	refused, ok := true, true
	if s := p.series[0]; r.works && len(s.Samples) == 1 && p.answer.request < r.requests { // that was some requests ago
		p, refused, ok = r.resend(p)
	}
	for began := time.Now(); ok && refused; {
		b := bisection{r: r, series: p.series[0]}
		if !b.split(p.series[0].Samples, p.answer, p.known) {
			return false
		}
		switch {
		case !r.works || len(r.since) == 0:
			return true
		case r.s.trial == nil: // nothing to check it by
			r.blind = r.requests
			r.ends()
			return true
		}
		left := r.since
		r.since = nil
		everything, ok := r.refusesTaken(latest(left).said, began)
		switch {
		case !ok:
			return false
		case !everything:
			r.final(left)
			return true
		}
		r.blind = r.requests
		if p, refused, ok = r.resend(r.inDoubt(left)[0]); !ok {
			return false
		}
	}
	return ok
}

// resend sends a part once more; refused is whether it is refused again, by no reason of
// time.
func (r *settling) resend(p part) (again part, refused, ok bool) {
	a, k, ok := r.put(p.series, p.known)
	switch {
	case !ok || a.verdict == taken:
		return p, false, ok
	case ofTime(a.reason):
		return p, false, r.inTime(p.series, a, k)
	}
	return part{p.series, a, k}, true, true
}

// latest is the last answer of some parts: what was not sent has that of what it was
// part of.
func latest(parts []part) (last answer) {
	for _, p := range parts {
		if p.answer.request >= last.request {
			last = p.answer
		}
	}
	return last
}

// refusesTaken reports whether the receiver refused what it took before, in these words.
// It has waited then until that was over, or a day since the beginning.
func (r *settling) refusesTaken(words string, began time.Time) (everything, ok bool) {
	if r.s.minds != "" && sameWords(words, r.s.minds) {
		return false, true
	}
	for failures := 1; ; failures++ {
		a, _, ok := r.try([]Series{*r.s.trial}, sentBefore)
		switch {
		case !ok:
			return false, false
		case a.verdict == taken, ofTime(a.reason), !sameWords(a.said, words):
			return failures > 1, true
		case time.Since(began) >= mostDoubted:
			r.s.mayMind = true
			return false, true
		}
		a.verdict, a.said = held, fmt.Sprintf("it refuses all that it is sent, what it took before too: %s", a.said)
		if !r.s.failed(r.ctx, a, failures) {
			return false, false
		}
	}
}

// minds sees whether the receiver minds what it just took, after a day in which that may
// have been so.
func (r *settling) minds() bool {
	if !r.s.mayMind {
		return true
	}
	r.s.mayMind = false
	a, _, ok := r.try([]Series{*r.s.trial}, sentBefore)
	if ok && a.verdict == refused && !ofTime(a.reason) {
		r.s.minds = a.said
	}
	return ok
}

// sameWords compares two refusals, but for words with a digit, as times and the numbers of
// requests have, and for what may have been cut off.
func sameWords(one, other string) bool {
	a, b := plainWords(one), plainWords(other)
	if n := min(len(a), len(b)); strings.HasSuffix(one, "…") || strings.HasSuffix(other, "…") {
		a, b = a[:n], b[:n]
	}
	return slices.Equal(a, b)
}

func plainWords(text string) []string {
	cut := strings.HasSuffix(text, "…")
	words := strings.FieldsFunc(text, func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("-_+/", r)
	})
	if cut && len(words) > 0 {
		words = words[:len(words)-1]
	}
	return slices.DeleteFunc(words, func(word string) bool { return strings.ContainsFunc(word, unicode.IsDigit) })
}

// again sends once more what was refused while the receiver was not seen to work.
func (r *settling) again() bool {
	failures := 0
	for r.ends(); len(r.doubts) > 0; r.ends() {
		if failures++; failures > 1 && r.s.trial == nil { // at a request a second there would be no end
			a := latest(r.doubts)
			a.verdict, a.said = held, fmt.Sprintf("it refuses all that it is sent, whole and in parts: %s", a.said)
			if !r.s.failed(r.ctx, a, failures-1) {
				return false
			}
		}
		var of [sentBefore + 1][]Series
		for _, p := range r.inDoubt(r.doubts) {
			if p.known == sentBefore {
				p.known = splitBefore // each of them was sent apart
			}
			of[p.known] = append(of[p.known], p.series...)
		}
		r.doubts = nil
		for k, series := range of {
			if len(series) > 0 && !(r.sendSome(series, known(k)) && r.drain()) {
				return false
			}
		}
	}
	return true
}

// inDoubt makes one part of those of each series. Where other samples of the series are
// settled already, a newer one may be there: then "out of order" does not say that
// these are.
func (r *settling) inDoubt(parts []part) (all []part) {
	place, tornToo := map[string]int{}, map[string]bool{}
	for _, p := range parts {
		for _, s := range p.series {
			key := keyOf(s.Labels)
			n, found := place[key]
			if !found {
				n = len(all)
				place[key] = n
				all = append(all, part{series: []Series{{Labels: s.Labels}}, known: p.known})
			}
			one := &all[n]
			one.series[0].Samples = append(one.series[0].Samples, s.Samples...)
			// Where an answer was lost too, a newer part may be there, and an older not.
			if one.known = max(one.known, p.known); p.known == torn || found && r.unclear > 0 {
				tornToo[key] = true
			}
		}
	}
	sizes := sizesOf(r.batch.Series)
	for i := range all {
		slices.SortFunc(all[i].series[0].Samples, func(a, b Sample) int { return cmp.Compare(a.TimeMS, b.TimeMS) })
		s := all[i].series[0]
		if key := keyOf(s.Labels); tornToo[key] || len(s.Samples) < sizes[key] {
			all[i].known = torn
		}
	}
	return all
}

// refusedWhole are those of some series of which every sample was refused, by no reason
// of time.
func (r *settling) refusedWhole(series []Series) (all [][]Label) {
	refused := map[string]int{}
	for _, one := range r.refusals {
		if !ofTime(one.answer.reason) {
			for key, n := range sizesOf(one.series) {
				refused[key] += n
			}
		}
	}
	if len(refused) == 0 {
		return nil
	}
	for _, s := range series {
		if refused[keyOf(s.Labels)] == len(s.Samples) {
			all = append(all, s.Labels)
		}
	}
	return all
}

// sizesOf is how many samples each series has, by keyOf.
func sizesOf(all []Series) map[string]int {
	sizes := make(map[string]int, len(all))
	for _, s := range all {
		sizes[keyOf(s.Labels)] = len(s.Samples)
	}
	return sizes
}

// suspected sends what was refused an hour ago or less, once, and does not split it.
func (r *settling) suspected(series []Series) bool {
	a, k, ok := r.put(series, r.known)
	switch {
	case !ok:
		return false
	case a.verdict == taken:
		for _, s := range series {
			r.s.suspects.remove(s.Labels)
		}
	case ofTime(a.reason):
		if !r.amongSeries(series, a, k) {
			return false
		}
		r.final(r.queue) // refused for another reason in the end
		r.queue = nil
	default:
		r.refusals = append(r.refusals, refusal{series, a})
	}
	return true
}
