package alarm

import (
	"crypto/sha256"
	"encoding/base32"
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/sitefile"
)

// Engine judges the rules of a site. It is for one goroutine at a time.
type Engine struct {
	site    *sitefile.Site
	rules   []*Rule
	book    *Book
	places  map[place]*Point
	beganMS int64    // when the looking began, monotonic; -1: nobody looks
	changes []change // kept for its room
}

// New makes the engine of a site from the history of its alarms, in the order in
// which it was stored. What stands goes on standing, and is not raised a second time.
// ended are the records of alarms whose rule, or what it watched, the site file has no
// more; the caller stores them.
func New(site *sitefile.Site, src Sources, history []Record, nowMS int64) (e *Engine, ended []Record) {
	e = &Engine{site: site, rules: rulesOf(site, &src), book: NewBook(history), places: map[place]*Point{}, beganMS: -1}
	for _, r := range e.rules {
		for _, p := range r.Points {
			e.places[p.place()] = p
		}
	}
	for _, s := range e.book.Standing(nowMS) {
		at := place{s.Rule, s.Subject, s.Part}
		p := e.places[at]
		switch {
		case p == nil:
			if s.ReturnedMS == 0 {
				r := Record{State: Returned, ID: s.ID, Rule: s.Rule, On: s.On, Subject: s.Subject, Part: s.Part, Priority: s.Priority, AtMS: nowMS,
					Why: "the site file watches it no more"}
				ended = append(ended, r)
			}
			delete(e.book.standing, at) // nobody needs to acknowledge what is not watched
		case s.ReturnedMS == 0:
			p.raised, p.of = true, s.Of
		}
	}
	return e, ended
}

// Begin says that looking begins at a monotonic time.
func (e *Engine) Begin(monoMS int64) { e.beganMS = monoMS }

// lookFor is how long a point that was not looked at yet is not called blind for it.
const lookFor = 2 * time.Minute

// new reports whether a point waits for its first look.
func (e *Engine) new(p *Point, monoMS int64) bool {
	return !p.seen && p.why == "" && e.beganMS >= 0 && monoMS-e.beganMS < lookFor.Milliseconds()
}

func (p *Point) place() place { return place{p.Rule.Name, p.Subject, p.Part} }

// Rules are those of the site file, in its order. The caller must not change them.
func (e *Engine) Rules() []*Rule { return e.rules }

// Targets are the names of those who are told of a rule. It may be called by any
// goroutine.
func (e *Engine) Targets(rule string) []string {
	for _, r := range e.rules {
		if r.Name == rule {
			return r.Targets
		}
	}
	return nil
}

// Book is what stands and is shelved.
func (e *Engine) Book() *Book { return e.book }

// See takes what is seen of a point and returns the records that follow, mostly none.
func (e *Engine) See(p *Point, s *Sight) []Record {
	e.changes = p.step(s, e.changes[:0])
	if len(e.changes) == 0 {
		return nil
	}
	var records []Record
	for i := range e.changes {
		records = append(records, e.record(p, &e.changes[i]))
	}
	return records
}

// record enters a change into the book.
func (e *Engine) record(p *Point, c *change) Record {
	r := Record{State: c.state, Rule: p.Rule.Name, On: string(p.Rule.On), Subject: p.Subject, Part: p.Part, Priority: string(p.Rule.Priority),
		AtMS: c.atMS, MonoMS: c.monoMS, SinceMS: c.since.wallMS, AtLeast: c.since.atLeast, Times: c.times, Of: c.of}
	if !p.limitless() {
		value, limit := p.fromSI(c.value), p.fromSI(p.Limit.At)
		r.Value, r.Limit, r.Unit = &value, &limit, p.Unit
	}
	if c.state == Returned {
		r.Says = p.returnedText(e.site.Units, c.value, c.why)
		if s := e.book.standing[p.place()]; s != nil {
			r.ID, r.Told = s.ID, s.Told
		}
	} else {
		r.Says = p.raisedText(e.site.Units, c.value, c.why)
		r.ID = idOf(&r)
		if _, shelved := e.book.shelf(r.Rule, r.Subject, r.AtMS); !shelved && len(p.Rule.Targets) > 0 {
			r.HeldBack, r.Told = p.mayTell(c.monoMS)
		}
	}
	e.book.take(&r)
	return r
}

// idOf is a short name of an alarm, the same for the same raise.
func idOf(r *Record) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%s\x00%d\x00%d", r.Rule, r.Subject, r.Part, r.AtMS, r.MonoMS))
	return strings.ToLower(base32.StdEncoding.EncodeToString(sum[:]))[:8]
}

// Sweep ends shelves whose time is over. untold are alarms that were raised while they
// were shelved, are so no more and stand still: they are to be told now.
func (e *Engine) Sweep(nowMS int64) (ended []Record, untold []Record) {
	for key, s := range e.book.shelves {
		if s.holds(nowMS) {
			continue
		}
		if r, err := e.book.Unshelve(key.rule, key.subject, "", "its time is over", nowMS); err == nil { // it is there
			r.Told = true
			ended = append(ended, r)
		}
	}
	untold = e.Untold(nowMS)
	for i := range untold { // of one unshelved while nobody recorded the history is to say that it is told by now
		u := &untold[i]
		if !slices.ContainsFunc(ended, func(r Record) bool { return r.Rule == u.Rule && (r.Subject == "" || r.Subject == u.Subject) }) {
			ended = append(ended, Record{State: Unshelved, Rule: u.Rule, Subject: u.Subject, AtMS: nowMS, Why: "what was raised meanwhile is told now", Told: true})
		}
	}
	return ended, untold
}

// Untold are the alarms that stand untold since they were raised while shelved, and
// are so no more. They count as told from here on.
func (e *Engine) Untold(nowMS int64) (all []Record) {
	for _, s := range e.book.standing {
		if _, shelved := e.book.shelf(s.Rule, s.Subject, nowMS); s.untoldShelved && !shelved && s.ReturnedMS == 0 && s.AckMS == 0 {
			s.untoldShelved = false
			if s.Told = len(e.Targets(s.Rule)) > 0; s.Told {
				all = append(all, s.Record)
			}
		}
	}
	return all
}

// RuleState is how a rule stands.
type RuleState string

// The states of a rule.
const (
	QuietRule   RuleState = "quiet"
	RaisedRule  RuleState = "raised"
	WaitingRule RuleState = "waiting" // an on-delay runs
	BlindRule   RuleState = "blind"
	NewRule     RuleState = "new" // the recording has just begun, and it was not looked at yet
)

// RuleStates are all of them.
func RuleStates() []RuleState {
	return []RuleState{QuietRule, RaisedRule, WaitingRule, BlindRule, NewRule}
}

// StateOf tells how a rule stands at a monotonic time, what it does not see, and since
// when (wall time, 0: not known) it is raised or waits.
func (e *Engine) StateOf(r *Rule, monoMS int64) (state RuleState, why string, sinceMS int64) {
	state = QuietRule
	if len(r.Points) == 0 {
		return BlindRule, r.Absent, 0
	}
	blind, fresh := false, false
	for _, p := range r.Points {
		reason, unseen := p.Blind(monoMS)
		if e.new(p, monoMS) {
			fresh = true
		} else if unseen && !blind {
			blind, why = true, p.What+": "+reason
		}
		earlier := func(ms int64) {
			if sinceMS == 0 || ms < sinceMS {
				sinceMS = ms
			}
		}
		switch s := e.book.standing[p.place()]; {
		case p.raised && s != nil:
			if state != RaisedRule {
				state, sinceMS = RaisedRule, 0
			}
			earlier(s.SinceMS)
		case p.waits() && !unseen && state != RaisedRule:
			state = WaitingRule
			earlier(p.bad.wallMS)
		}
	}
	switch {
	case state != QuietRule:
	case blind:
		state = BlindRule
	case fresh:
		state = NewRule
	}
	return state, why, sinceMS
}
