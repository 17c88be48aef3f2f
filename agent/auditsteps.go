package agent

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/guided"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// auditStep is a step and how it is judged.
type auditStep struct {
	name, title, why, page, command string
	judge                           func(*auditor, *AuditStep) error
}

// Limits of the checks in between.
const (
	// firstHour is how long the first check looks at.
	firstHour = time.Hour
	// leastRead is the share of due readings below which a check calls a device badly
	// read: our own limit, no source.
	leastRead = 0.98
	// wantedAlternatives is how many other settings an audit weighs.
	wantedAlternatives = 2
)

// auditSteps are a week's audit, in its order: common practice, no source.
var auditSteps = [...]auditStep{
	{"instruments", "Instruments named", "A figure is as good as the instrument behind it: the report names each with its calibration and accuracy.",
		"/hook-up", "loadscribe check --site FILE", (*auditor).instruments},
	{"hookup", "Hook-up walk", "A transformer turned round or a bit read upside down spoils a whole week; the walk through the machine's states shows it in minutes.",
		"/hook-up", "loadscribe probe --hookup --site FILE", (*auditor).walk},
	{"sleep", "Computer kept awake", "A computer that falls asleep records nothing.",
		"/what-we-missed", "loadscribe audit --site FILE", (*auditor).sleep},
	{"first_hour", "First hour checked", "What is wrong in the first hour is wrong all week.",
		"/what-we-missed", "loadscribe audit --site FILE", (*auditor).first},
	{"mid_week", "Looked at half way", "A device that fell silent on the second day is found while there are days left.",
		"/what-we-missed", "loadscribe audit --site FILE", (*auditor).middle},
	{"leak", "Leak test", "What flows while nobody works, measured after hours.",
		"/after-hours", "loadscribe test leak --site FILE --who NAME", func(j *auditor, s *AuditStep) error { return j.test(s, guided.Leak) }},
	{"pump_up", "Pump-up test", "What each machine really delivers, in place of its nameplate.",
		"/after-hours", "loadscribe test pump-up --site FILE --who NAME", func(j *auditor, s *AuditStep) error { return j.test(s, guided.PumpUp) }},
	{"alternatives", "Two other settings weighed", "The same air with other settings: what it would save, and how sure that is.",
		"/other-settings", "loadscribe replay --site FILE --set KEY=VALUE", (*auditor).alternatives},
	{"report", "Report made", "The whole, with the checkpoint that it was made from.",
		"/what-we-missed", "loadscribe report --site FILE --from DATE --to DATE --out DIR", (*auditor).report},
}

func auditStepNames() []string {
	names := make([]string, len(auditSteps))
	for i := range auditSteps {
		names[i] = auditSteps[i].name
	}
	return names
}

// titleOfStep is empty where there is no such step.
func titleOfStep(name string) string {
	for i := range auditSteps {
		if auditSteps[i].name == name {
			return auditSteps[i].title
		}
	}
	return ""
}

func (j *auditor) instruments(s *AuditStep) error {
	facts := j.h.site.InstrumentFacts(j.now, j.now)
	for i := range facts {
		f := &facts[i]
		var lacks []string
		switch f.Standing {
		case sitefile.Expired:
			lacks = append(lacks, "its calibration ended on "+f.CalibratedUntil)
		case sitefile.NoDate:
			lacks = append(lacks, "no day of calibration is named")
		case sitefile.NoEnd:
			lacks = append(lacks, "nothing says how long its calibration holds")
		case sitefile.InFuture:
			lacks = append(lacks, "its calibration is dated "+f.Calibrated+", which is yet to come")
		}
		if f.Serial == "" {
			lacks = append(lacks, "no serial number")
		}
		if len(f.Accuracy) == 0 {
			lacks = append(lacks, "no accuracy")
		}
		if len(lacks) > 0 {
			s.Missing = append(s.Missing, f.Subject+": "+strings.Join(lacks, ", ")+".")
		}
	}
	if len(facts) == 0 {
		s.Missing = append(s.Missing, "No channel of the site file has a role that an instrument measures: give the register map its roles.")
		return nil
	}
	s.Sentence = fmt.Sprintf("%s in the site file; for %d of them something is not said, which belongs into instrument = { … } of the device there.",
		counted(len(facts), "instrument"), len(s.Missing))
	if len(s.Missing) == 0 {
		s.Sentence = counted(len(facts), "instrument") + " in the site file, each with serial number, accuracy and a calibration that holds."
	}
	return nil
}

// walk wants a hook-up check of each machine, the last of which found nothing wrong.
func (j *auditor) walk(s *AuditStep) error {
	kept, err := j.h.eventsWhere(0, 0, 0, func(e *store.Event) bool { return e.Kind == "hookup" })
	if err != nil {
		return fmt.Errorf("read the hook-up checks: %w", err)
	}
	var told []string
	for i := range j.h.site.Machines {
		name := j.h.site.Machines[i].Name
		var last *store.Event
		for k := range kept {
			if kept[k].Subject == name {
				last = &kept[k]
			}
		}
		switch {
		case last == nil:
			s.Missing = append(s.Missing, "No walk was done at "+name+".")
		case last.Data["verdict"] == "wrong":
			s.Missing = append(s.Missing, fmt.Sprintf("The walk at %s on %s found something wrong: %s.", name, j.local(time.UnixMilli(last.WallMS)), strings.TrimPrefix(last.Text, "hook-up check: wrong; ")))
		default:
			told = append(told, fmt.Sprintf("%s on %s: %s", name, j.local(time.UnixMilli(last.WallMS)), last.Data["verdict"]))
		}
	}
	if len(told) > 0 {
		s.Sentence = "Walked: " + strings.Join(told, "; ") + "."
	}
	return nil
}

func (j *auditor) sleep(s *AuditStep) error {
	if j.awake == nil {
		s.State, s.Sentence = stepUnseen, "loadscribe does not run here now, so nobody looks at this computer's settings."
		return nil
	}
	s.Sentence = strings.TrimSpace(j.awake.Why)
	switch j.awake.Sleep {
	case "never", "held":
	case "may":
		s.Missing = append(s.Missing, strings.TrimSpace("This computer may fall asleep. "+j.awake.Mend))
	default:
		s.State = stepUnseen
		s.Missing = append(s.Missing, strings.TrimSpace("Whether this computer may fall asleep cannot be read: look at its settings. "+j.awake.Mend))
	}
	return nil
}

func (j *auditor) first(s *AuditStep) error {
	if !j.needsBegin(s) || !j.due(s, j.begun.at().Add(firstHour), "The first hour is over") {
		return nil
	}
	return j.reading(s, j.begun.at(), j.begun.at().Add(firstHour), "the first hour")
}

func (j *auditor) middle(s *AuditStep) error {
	if !j.needsBegin(s) {
		return nil
	}
	half := j.begun.at().Add(j.begun.ends().Sub(j.begun.at()) / 2)
	if !j.due(s, half, "Half of the time is over") {
		return nil
	}
	return j.reading(s, j.begun.at(), half, "the first half")
}

// reading judges how well the devices were read in a window, and whether the
// machines' states were known.
func (j *auditor) reading(s *AuditStep, from, to time.Time, called string) error {
	stats := j.h.store.Stats()
	m, err := j.h.missed(from.UnixMilli(), to.UnixMilli(), j.now, &stats)
	if err != nil {
		return fmt.Errorf("look for gaps in %s: %w", called, err)
	}
	worst := 1.0
	for i := range m.Devices {
		d := &m.Devices[i]
		switch {
		case d.Absent != "":
			s.Missing = append(s.Missing, fmt.Sprintf("%s: %s.", d.Device, d.Absent))
		case d.ReadShare < leastRead:
			s.Missing = append(s.Missing, fmt.Sprintf("%s was read %d times of %d in %s, %.1f %%.", d.Device, d.Read, d.Due, called, 100*d.ReadShare))
		}
		worst = min(worst, d.ReadShare)
	}
	for _, of := range channelsToDo(&m) {
		s.Missing = append(s.Missing, of.What)
	}
	figures, err := j.h.Figures(from.UnixMilli(), to.UnixMilli(), "")
	if err != nil {
		return fmt.Errorf("figures of %s: %w", called, err)
	}
	for i := range figures.Machines {
		of := &figures.Machines[i]
		for k := range of.Figures {
			if f := &of.Figures[k]; f.Name == "observed_time" && f.Absent == "" && f.Value != nil && *f.Value < leastRead*to.Sub(from).Seconds() {
				s.Missing = append(s.Missing, fmt.Sprintf("The state of %s was known for %s of %s.", of.Machine,
					(time.Duration(*f.Value)*time.Second).Round(time.Minute), to.Sub(from).Round(time.Minute)))
			}
		}
	}
	s.Sentence = fmt.Sprintf("From %s to %s: the device that was read least, %.1f %% of the time.", j.local(from), j.local(to), 100*worst)
	if len(m.Devices) == 0 {
		s.Sentence = "No device is read by loadscribe itself: readings come by import."
	}
	return nil
}

// test wants a result since the audit began that counts: of each system a leak test,
// of each machine a pump-up test.
func (j *auditor) test(s *AuditStep, sort string) error {
	s.Cautions = guided.Cautions(sort)
	if !j.needsBegin(s) {
		return nil
	}
	t, err := j.h.Tests()
	if err != nil {
		return err
	}
	var wanted []string
	for i := range j.h.site.Machines {
		wanted = append(wanted, j.h.site.Machines[i].Name)
	}
	if sort == guided.Leak {
		wanted = wanted[:0]
		for i := range j.h.site.Systems {
			wanted = append(wanted, j.h.site.Systems[i].Name)
		}
	}
	var told []string
	for _, name := range wanted {
		k := slices.IndexFunc(t.Results, func(r TestRecord) bool { // the latest first
			return r.Test == sort && (r.Machine == name || sort == guided.Leak && r.System == name) && r.WithdrawnBy == 0 && r.Seq > j.sinceSeq
		})
		if k < 0 {
			s.Missing = append(s.Missing, "No result counts of "+name+" since the audit began.")
			continue
		}
		told = append(told, t.Results[k].Text)
	}
	if len(wanted) == 0 {
		s.Missing = append(s.Missing, "The site file names no system: a test needs one with its volumes.")
	}
	s.Sentence = strings.Join(told, " ")
	return nil
}

func (j *auditor) alternatives(s *AuditStep) error {
	if !j.needsBegin(s) {
		return nil
	}
	var names, sets []string
	for i := range j.events {
		if e := &j.events[i]; e.Data["audit"] == auditReplayed {
			called := strings.Split(e.Data["alternatives"], "\n")
			for k, set := range strings.Split(e.Data["sets"], "\n") {
				if k < len(called) && !slices.Contains(sets, set) {
					names, sets = append(names, called[k]), append(sets, set)
				}
			}
		}
	}
	if n := len(sets); n < wantedAlternatives {
		s.Missing = append(s.Missing, fmt.Sprintf("%d of %d alternatives were replayed since the audit began.", n, wantedAlternatives))
	}
	if len(names) > 0 {
		s.Sentence = "Replayed: " + strings.Join(names, ", ") + "."
	}
	return nil
}

// report wants one that was made after the planned end, or that reaches there.
func (j *auditor) report(s *AuditStep) error {
	if !j.needsBegin(s) {
		return nil
	}
	var last *store.Event
	for i := range j.events {
		if e := &j.events[i]; e.Data["audit"] == auditReported && (last == nil || e.Data["to"] >= last.Data["to"]) {
			last = e
		}
	}
	if last != nil {
		to, err := time.Parse(time.RFC3339, last.Data["to"])
		s.Sentence = fmt.Sprintf("The one that reaches furthest was made on %s, of readings until %s.", j.local(time.UnixMilli(last.WallMS)), j.local(to))
		if err == nil && !to.Before(j.begun.ends().Add(-time.Minute)) {
			return nil
		}
	}
	if !j.now.Before(j.begun.ends()) {
		s.Missing = append(s.Missing, "No report reaches to the planned end, "+j.local(j.begun.ends())+".")
		return nil
	}
	said := s.Sentence
	j.due(s, j.begun.ends(), "The planned time is over")
	s.Sentence = strings.TrimSpace(said + " " + s.Sentence)
	return nil
}
