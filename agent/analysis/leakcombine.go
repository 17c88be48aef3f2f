package analysis

import (
	"fmt"
	"math"
	"strings"

	"loadscribe/agent/gum"
)

// quietResult is what flows in quiet hours, and what of it leaks. Flows are m³/s
// of free air at pa, absolute.
type quietResult struct {
	absent  string
	hours   *quietHours
	balance *airBalance
	methods []leakMethod
	users   []quietUser
	pa      float64
	running float64 // share of the quiet minutes in which a machine ran
	demand  gum.Value
	leak    gum.Value // what is left; may be below zero by its uncertainty
	widened float64   // factor by which disagreement widened the interval; 1: none
	words   string    // on how the methods agree
	move    *leakMove // nil: the nights show no trend
	// workingPa is the mean absolute pressure while machines deliver; 0: none did.
	workingPa float64
}

// valid are the methods that gave something.
func (r *quietResult) valid() (all []*leakMethod) {
	for i := range r.methods {
		if r.methods[i].why == "" {
			all = append(all, &r.methods[i])
		}
	}
	return all
}

// why joins the reasons of methods that gave nothing.
func (r *quietResult) why() string {
	var all []string
	for i := range r.methods {
		all = append(all, r.methods[i].name+": "+r.methods[i].why)
	}
	return strings.Join(all, "; ")
}

// combine brings the methods to one pressure and takes their mean by covariance.
// What differs between the methods is taken off first: a purge that runs with the
// machine, say, is in the loaded share and not in a bleed-down.
func (r *quietResult) combine() {
	valid := r.valid()
	if len(valid) == 0 {
		r.absent = "no method tells it: " + r.why()
		return
	}
	values := make([]gum.Value, len(valid))
	for i, m := range valid {
		m.steady = r.steady(m)
		values[i] = m.steady
	}
	best, err := gum.Combine(values)
	if err != nil {
		r.absent = err.Error()
		return
	}
	for i, m := range valid {
		m.weight = best.Weights[i]
	}
	r.agree(valid, best.Value)
	r.leak = best.Value
	if r.widened > 1 {
		u := best.U()
		r.leak = r.leak.Plus(gum.New(0, u*math.Sqrt(float64(r.widened*r.widened)-1), "disagreement of the methods"))
	}
	r.demand = r.leak
	for i := range r.users {
		r.demand = r.demand.Plus(r.beside(&r.users[i], valid))
	}
}

// beside is what a user takes beside the leaks. Where what counts is measured behind
// it, its pressure is not the measured one: once its vessel is cut off by a check
// valve or a dryer it empties that, and takes anything from nothing to all.
func (r *quietResult) beside(u *quietUser, valid []*leakMethod) gum.Value {
	all := u.at(r.pa, r.running)
	for _, m := range valid {
		if m.weight > 0.5 && (m.behind == "" || !before(r.balance.sys, u.part, m.behind)) {
			return all
		}
	}
	if u.running {
		return all
	}
	return all.Scaled(0.5).Plus(gum.New(0, rectangular(float64(0.5*all.V)), u.name+", before the meter (from nothing to all)"))
}

// steady is a method's leak at the common pressure: leaks follow the absolute
// pressure, and what users take is taken off at the pressure it was measured at.
func (r *quietResult) steady(m *leakMethod) gum.Value {
	left := m.flow
	for i := range r.users {
		u := &r.users[i]
		if m.behind != "" && before(r.balance.sys, u.part, m.behind) {
			continue // it takes its air before the meter
		}
		left = left.Minus(u.at(m.pa, m.ran))
	}
	return left.Scaled(r.pa / m.pa)
}

// agree says whether the methods agree within what they know, and sets by how
// much the interval is widened where they do not: by the largest difference from
// the mean over twice its own uncertainty (after Birge, who took the root of the
// mean square; with two or three methods that share inputs the largest is safer).
func (r *quietResult) agree(valid []*leakMethod, best gum.Value) {
	r.widened = 1
	if len(valid) == 1 {
		r.words = "one method only: " + valid[0].name
		return
	}
	worst, of := 0.0, ""
	for _, m := range valid {
		d := m.steady.Minus(best)
		if u := d.U(); u > 0 && math.Abs(d.V)/u > worst {
			worst, of = math.Abs(d.V)/u, m.name
		}
	}
	r.words = fmt.Sprintf("%d methods agree within their uncertainties", len(valid))
	if r.widened = max(1, worst/coverageFactor); r.widened > 1 {
		r.words = fmt.Sprintf("the methods disagree: %s lies %.1f standard uncertainties off the mean, and the interval is widened by %.2f for it", of, worst, r.widened)
	}
}
