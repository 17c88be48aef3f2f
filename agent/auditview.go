package agent

import (
	"slices"
	"strings"
	"time"

	"loadscribe/agent/store"
)

// The states of a step of an audit.
const (
	stepDone     = "done"
	stepMissing  = "missing"  // something is to be done
	stepWaits    = "waits"    // its time has not come
	stepAccepted = "accepted" // something is missing, and a person says why that is well
	stepUnseen   = "unseen"   // it cannot be told from here: a person must look
)

// Audit is how the audit that was begun last stands.
type Audit struct {
	Time     Stamp  `json:"time"`
	Sentence string `json:"sentence"`
	// Begun is left out where no audit was begun; the steps that need none are
	// judged all the same.
	Begun *AuditBegun `json:"begun,omitempty"`
	Steps []AuditStep `json:"steps"`
}

// AuditBegun is the beginning of an audit.
type AuditBegun struct {
	Seq  uint64 `json:"seq"`
	Time Stamp  `json:"time"`
	Who  string `json:"who"`
	Ends Stamp  `json:"ends"` // as planned
}

// AuditStep is one step.
type AuditStep struct {
	Step  string `json:"step"`
	Title string `json:"title"`
	Why   string `json:"why"`   // what it is good for
	State string `json:"state"` // done, missing, waits, accepted or unseen
	// Sentence says how it stands; Missing is each thing still to be done.
	Sentence string   `json:"sentence"`
	Missing  []string `json:"missing"`
	// Due is when its time comes; left out: it can be done now.
	Due *Stamp `json:"due,omitempty"`
	// Page is the page of its work, as in an address: "/hook-up"; Command the same
	// without a browser. Cautions are what must be read before.
	Page     string      `json:"page"`
	Command  string      `json:"command"`
	Cautions []string    `json:"cautions"`
	Marks    []AuditSaid `json:"marks"` // what persons say of it, oldest first
}

// AuditSaid is what a person says of a step.
type AuditSaid struct {
	Seq  uint64 `json:"seq"`
	Time Stamp  `json:"time"`
	Who  string `json:"who"`
	Text string `json:"text"`
}

// Audit tells how the audit that was begun last stands, of a stopped record.
func (h *History) Audit() (Audit, error) { return h.audit(h.Now(), nil) }

// Audit is History's, of the present, with what only a running agent knows.
func (a *Agent) Audit() (Audit, error) {
	awake := a.Awake()
	return a.audit(a.end(), &awake)
}

// auditor judges the steps of one audit.
type auditor struct {
	h        *History
	now      time.Time
	awake    *AwakeState // nil: nobody looks
	begun    *AuditBegun // nil: none was
	events   []store.Event
	sinceSeq uint64
}

func (h *History) audit(now time.Time, awake *AwakeState) (Audit, error) {
	kept, err := h.auditEvents()
	if err != nil {
		return Audit{}, err
	}
	all := Audit{Time: StampOf(now), Steps: []AuditStep{}}
	j := &auditor{h: h, now: now, awake: awake}
	if b := newestBegun(kept); b != nil {
		ends, err := time.Parse(time.RFC3339, b.Data["ends"])
		if err != nil { // of a later version
			ends = time.UnixMilli(b.WallMS).AddDate(0, 0, auditDays)
		}
		j.begun, j.sinceSeq = &AuditBegun{b.Seq, Stamp(b.WallMS), b.Data["who"], StampOf(ends)}, b.Seq
		j.events = slices.DeleteFunc(kept, func(e store.Event) bool { return e.Seq <= j.sinceSeq }) // b lies in kept
	}
	all.Begun = j.begun
	for _, d := range auditSteps {
		s := AuditStep{Step: d.name, Title: d.title, Why: d.why, Page: d.page, Command: d.command, Missing: []string{}, Cautions: []string{}, Marks: j.marks(d.name)}
		if err := d.judge(j, &s); err != nil {
			return all, err
		}
		s.settle()
		all.Steps = append(all.Steps, s)
	}
	all.Sentence = j.sentence(all.Steps)
	return all, nil
}

// settle makes a state of what is missing, unless the judge has said it.
func (s *AuditStep) settle() {
	switch {
	case s.State == "" && len(s.Missing) == 0:
		s.State = stepDone
	case s.State == "":
		s.State = stepMissing
	}
	if (s.State == stepMissing || s.State == stepUnseen) && len(s.Marks) > 0 {
		last := s.Marks[len(s.Marks)-1]
		s.State, s.Sentence = stepAccepted, strings.TrimSpace(s.Sentence+" "+last.Who+" says of it: "+strings.TrimRight(last.Text, ".")+".")
	}
}

func (j *auditor) marks(step string) []AuditSaid {
	said := []AuditSaid{}
	for i := range j.events {
		if e := &j.events[i]; e.Data["audit"] == auditMarked && e.Data["step"] == step {
			said = append(said, AuditSaid{e.Seq, Stamp(e.WallMS), e.Data["who"], e.Text})
		}
	}
	return said
}

// sentence says how the whole stands.
func (j *auditor) sentence(steps []AuditStep) string {
	open, waits, first := 0, 0, ""
	for i := range steps {
		switch steps[i].State {
		case stepMissing, stepUnseen:
			if open++; first == "" {
				first = steps[i].Title
			}
		case stepWaits:
			waits++
		}
	}
	switch {
	case j.begun == nil:
		return "No audit was begun. What can be seen already is judged below."
	case open > 0:
		return "The audit has " + counted(open, "open step") + ", first: " + lowerFirst(first) + "."
	case waits > 0:
		return "Nothing is open now; " + counted(waits, "step") + " will come."
	}
	return "Every step of the audit is done or accepted."
}

func lowerFirst(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// local writes a time for people, in the site's zone.
func (j *auditor) local(t time.Time) string {
	return t.In(j.h.site.Location).Format("Mon 2006-01-02 15:04")
}

// due reports whether a step's time has come; where it has not, the step waits until
// then, and what says for what.
func (j *auditor) due(s *AuditStep, at time.Time, what string) (ok bool) {
	if !j.now.Before(at) {
		return true
	}
	stamp := StampOf(at)
	s.State, s.Due, s.Sentence = stepWaits, &stamp, what+" on "+j.local(at)+"."
	return false
}

// needsBegin is for a step that counts from the audit's beginning: ok where there is
// one, else the step waits for it.
func (j *auditor) needsBegin(s *AuditStep) (ok bool) {
	if j.begun != nil {
		return true
	}
	s.State, s.Sentence = stepWaits, "It is counted from the beginning of the audit, and none was begun."
	return false
}

func (b *AuditBegun) at() time.Time   { return time.UnixMilli(int64(b.Time)) }
func (b *AuditBegun) ends() time.Time { return time.UnixMilli(int64(b.Ends)) }
