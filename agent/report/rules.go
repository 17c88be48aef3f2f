package report

import (
	"cmp"
	"slices"
)

// Rule is one thing that a report looks for. What it fires on, and where its limit
// comes from, stands in docs/findings.md under its name.
type Rule struct {
	Name  string // of lower-case words and hyphens
	About string // what is looked for, a sentence
	// Limit is when it fires, and Basis where that comes from: a published source,
	// or "common practice, no source".
	Limit, Basis string
	Matters      int    // of its findings, where they say nothing else
	Caution      string // of its findings; empty: none
	Fires        func(*builder) []Finding
}

// How much a finding matters, apart from money. From mattersStops on it stands before
// all money: an hour in which nobody can work costs more than a receiver saves in a
// year, nobody should act on a sum while the meter is wired wrongly, and no sum is
// worth a hand.
const (
	mattersUpkeep  = 1 // something to put in order
	mattersAir     = 2 // the air, or what it costs, is not as it should be
	mattersMachine = 3 // the machine wears
	mattersStops   = 4 // people cannot work: the machine trips, or the pressure fails
	mattersFigures = 5 // figures of money are not to be relied on
	mattersPeople  = 6 // somebody may be hurt
)

// Rules are all rules, in the order in which they are asked: a rule may be silent
// about what an earlier one has explained.
func Rules() []Rule {
	var all []Rule
	for _, some := range [][]Rule{dataRules(), faultRules(), machineRules(), stopRules(), {sensorRule()}, airRules(), pressureRules(), loadRules(), {tariffRule()}} {
		all = append(all, some...)
	}
	return all
}

// ask asks every rule, and puts what they find in its order.
func (b *builder) ask() {
	for _, r := range Rules() {
		for _, f := range r.Fires(b) {
			f.Rule = r.Name
			if f.Matters == 0 {
				f.Matters = r.Matters
			}
			if f.Caution == "" {
				f.Caution = r.Caution
			}
			if b.moneyDoubted(f.Subject) || b.underWeek() {
				f.Effect, f.Cost = nil, nil
			}
			b.doc.Findings = append(b.doc.Findings, f)
		}
	}
	slices.SortStableFunc(b.doc.Findings, firstOf)
}

// underWeek reports a window from which no year is told (analysis.YearOf), and so no
// saving of one: an hour less is the week in which clocks go forward.
func (b *builder) underWeek() bool {
	return b.data.ToMS-b.data.FromMS < 7*86_400_000-2*3_600_000
}

// moneyDoubted reports a machine, or a system with a machine, whose power meter does not
// show what it takes: no sum of theirs is told.
func (b *builder) moneyDoubted(subject string) bool { return b.doubts(subject) != "" }

// doubts says what is found that makes the sums of a machine or system untrue; empty:
// nothing.
func (b *builder) doubts(subject string) string {
	for i := range b.doc.Findings {
		f := &b.doc.Findings[i]
		if f.Matters == mattersFigures && (f.Subject == subject || b.systemOf(f.Subject) == subject) {
			return f.Title
		}
	}
	return ""
}

// firstOf orders findings. What endangers people, then what makes the figures untrue,
// then what stops the work, then a limit that is broken, stands before all money. Money
// goes by the lower end of its interval: that much may be counted on, while a large sum
// that may as well be nothing is not known to be one. Where nobody played what following
// an advice brings, what the thing costs now stands for it: a small sum that is known must
// not hide a large one. What saves nothing for sure comes last, by what it matters.
func firstOf(a, b Finding) int {
	return cmp.Or(
		cmp.Compare(rank(&b), rank(&a)),
		cmp.Compare(sure(&b), sure(&a)),
		cmp.Compare(b.Matters, a.Matters),
	)
}

// rank: above all money, a limit that is broken, with money that may be counted on, without.
func rank(f *Finding) int {
	switch {
	case f.Matters >= mattersStops:
		return f.Matters
	case f.Broken:
		return 2
	case sure(f) > 0:
		return 1
	}
	return 0
}

// sure is the lower end of the money's interval, or of the energy's where there is no
// tariff.
func sure(f *Finding) float64 {
	var money, energy *Amount
	switch {
	case f.Effect != nil:
		money, energy = f.Effect.Money, f.Effect.EnergyKWh
	case f.Cost != nil:
		money, energy = f.Cost.Money, f.Cost.EnergyKWh
	}
	if money == nil {
		return lowEnd(energy)
	}
	return lowEnd(money)
}

// lowEnd is the lower end of an interval; 0 where it may as well be nothing, or where
// it is not known how well it is known.
func lowEnd(a *Amount) float64 {
	if a == nil || a.Half == nil {
		return 0
	}
	return max(0, a.Value-*a.Half)
}

// found reports whether a rule has fired on a subject; of a rule that is asked earlier.
func (b *builder) found(rule, subject string) bool {
	return slices.ContainsFunc(b.doc.Findings, func(f Finding) bool { return f.Rule == rule && f.Subject == subject })
}
