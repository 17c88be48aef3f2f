package agent

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/quantity"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// AlarmCaution is said wherever alarms are set or listed.
const AlarmCaution = "Not a safety device: alarms are for upkeep. They come late or not at all when this computer, a line, the network or the mail fails. " +
	"What protects people and machines are the machine's own safety devices and the people licensed to work on it; never set or leave out any of these because of an alarm here."

// ErrNoAlarm: no alarm of that id stands.
var ErrNoAlarm = alarm.ErrNoAlarm

// Alarms is what stands, what is watched and how messages go: the answer of
// /api/v1/alarms.
type Alarms struct {
	Standing []StandingAlarm `json:"standing"` // what has not returned first
	Rules    []AlarmRule     `json:"rules"`    // in the site file's order
	Targets  []AlarmTarget   `json:"targets"`
	Caution  string          `json:"caution"`
}

// StandingAlarm is an alarm that has not both returned and been acknowledged; one of
// low priority stands until it has returned.
type StandingAlarm struct {
	ID       string `json:"id"`
	Rule     string `json:"rule"`
	On       string `json:"on"`
	Subject  string `json:"subject"`
	Priority string `json:"priority"`
	Text     string `json:"text"`   // a sentence without the rule's name
	Raised   Stamp  `json:"raised"` // when its delay was over
	// Since is when it began; SinceAtLeast: it may have been so before, unseen.
	Since        Stamp         `json:"since"`
	SinceAtLeast bool          `json:"since_at_least"`
	Returned     Stamp         `json:"returned"` // null: it has not
	Acknowledged *AlarmAckSaid `json:"acknowledged"`
	Value        *float64      `json:"value"` // when it was raised
	Limit        *float64      `json:"limit"`
	Unit         string        `json:"unit"` // of both; empty where there are none
	Told         bool          `json:"told"` // a message was handed on, where the rule has targets
	Times        int64         `json:"times"`
	ShelvedUntil Stamp         `json:"shelved_until"`
}

// AlarmAckSaid is who took note of an alarm.
type AlarmAckSaid struct {
	At  Stamp  `json:"at"`
	Who string `json:"who"`
	Why string `json:"why"`
}

// AlarmRule is one rule of the site file.
type AlarmRule struct {
	Rule     string   `json:"rule"`
	On       string   `json:"on"`
	Subjects []string `json:"subjects"`
	Text     string   `json:"text"`
	Priority string   `json:"priority"`
	Tell     []string `json:"tell"` // names of targets
	// State is quiet, raised, waiting (a delay runs), blind or new (not looked at yet); Why says what it does
	// not see, also of a rule that is raised.
	State   string       `json:"state"`
	Why     string       `json:"why"`
	Shelved []AlarmShelf `json:"shelved"`
	Since   Stamp        `json:"since"`
}

// AlarmShelf is that a rule, or one subject of it, is not told for a time.
type AlarmShelf struct {
	Subject string `json:"subject"` // empty: all of the rule
	Until   Stamp  `json:"until"`
	Who     string `json:"who"`
	Why     string `json:"why"`
}

// AlarmTarget is where messages go, and how that stands.
type AlarmTarget struct {
	Name         string `json:"name"`
	Kind         string `json:"kind"` // mail or webhook
	To           string `json:"to"`
	Waiting      int64  `json:"waiting"`
	LastSent     Stamp  `json:"last_sent"`
	FailingSince Stamp  `json:"failing_since"` // null: it is not
	Why          string `json:"why"`           // it fails
	GivenUp      int64  `json:"given_up"`      // messages that were never delivered
}

// AlarmAck says that a person has taken note of an alarm.
type AlarmAck struct {
	ID  string `json:"id"`
	Who string `json:"who"`
	Why string `json:"why,omitempty"`
}

// AlarmShelve asks that a rule, or one subject of it, is not told for a time.
type AlarmShelve struct {
	Rule    string `json:"rule"`
	Subject string `json:"subject,omitempty"`
	For     string `json:"for"` // a time such as "8h", at most 7 days
	Who     string `json:"who"`
	Why     string `json:"why"`
}

// AlarmUnshelve takes that back.
type AlarmUnshelve struct {
	Rule    string `json:"rule"`
	Subject string `json:"subject,omitempty"`
	Who     string `json:"who"`
}

// Alarms tells what stands and what is watched.
func (a *Agent) Alarms() (Alarms, error) {
	mono, wall := a.clock.Now()
	a.alarms.mu.Lock()
	defer a.alarms.mu.Unlock()
	all := viewAlarms(a.site, a.alarms.engine, mono, wall)
	all.Targets = a.alarmTargets()
	return all, nil
}

// stoppedWhy is why nothing is seen while nobody records.
const stoppedWhy = "loadscribe does not run: nothing is watched"

// Alarms tells what stood when the recording ended.
func (h *History) Alarms() (Alarms, error) {
	e, wall, err := h.stoppedAlarms()
	if err != nil {
		return Alarms{}, err
	}
	all := viewAlarms(h.site, e, 0, wall)
	for i := range all.Rules {
		if r := &all.Rules[i]; r.State != string(alarm.RaisedRule) {
			r.State, r.Why = string(alarm.BlindRule), stoppedWhy
		} else {
			r.Why = stoppedWhy
		}
	}
	return all, nil
}

func (h *History) stoppedAlarms() (*alarm.Engine, int64, error) {
	history, err := h.alarmRecords()
	if err != nil {
		return nil, 0, err
	}
	_, wall := h.clock.Now()
	e, _ := alarm.New(h.site, h.alarmSources(nil), history, wall)
	return e, wall, nil
}

func viewAlarms(site *sitefile.Site, e *alarm.Engine, mono, wall int64) Alarms {
	all := Alarms{Standing: []StandingAlarm{}, Rules: []AlarmRule{}, Targets: []AlarmTarget{}, Caution: AlarmCaution}
	for _, s := range e.Book().Standing(wall) {
		one := StandingAlarm{ID: s.ID, Rule: s.Rule, On: s.On, Subject: s.Subject, Priority: s.Priority, Text: s.Says, Raised: Stamp(s.AtMS),
			Since: Stamp(s.SinceMS), SinceAtLeast: s.AtLeast, Returned: Stamp(s.ReturnedMS), Value: s.Value, Limit: s.Limit, Unit: s.Unit,
			Told: s.Told, Times: int64(max(s.Times, 1)), ShelvedUntil: Stamp(s.ShelvedUntil)}
		if s.AckMS != 0 {
			one.Acknowledged = &AlarmAckSaid{Stamp(s.AckMS), s.AckWho, s.AckWhy}
		}
		all.Standing = append(all.Standing, one)
	}
	shelves := e.Book().Shelves(wall)
	for _, r := range e.Rules() {
		state, why, since := e.StateOf(r, mono)
		one := AlarmRule{Rule: r.Name, On: string(r.On), Subjects: r.Subjects(), Text: r.Text, Priority: string(r.Priority), Tell: r.Targets,
			State: string(state), Why: why, Since: Stamp(since), Shelved: []AlarmShelf{}}
		for _, s := range shelves {
			if s.Rule == r.Name {
				one.Shelved = append(one.Shelved, AlarmShelf{s.Subject, Stamp(s.UntilMS), s.Who, s.Why})
			}
		}
		all.Rules = append(all.Rules, one)
	}
	return all
}

// AcknowledgeAlarm keeps that a person has taken note. An error of type *FieldError
// says what is wrong with it; one that wraps ErrNoAlarm, that no such alarm stands.
func (a *Agent) AcknowledgeAlarm(q AlarmAck) (Alarms, error) {
	return a.changeAlarms(func(e *alarm.Engine, wall int64) (alarm.Record, error) { return acknowledge(e, q, wall) })
}

// ShelveAlarm keeps that a rule is not told for a time; errors as AcknowledgeAlarm.
func (a *Agent) ShelveAlarm(q AlarmShelve) (Alarms, error) {
	return a.changeAlarms(func(e *alarm.Engine, wall int64) (alarm.Record, error) { return shelve(e, q, wall) })
}

// UnshelveAlarm takes that back; errors as AcknowledgeAlarm.
func (a *Agent) UnshelveAlarm(q AlarmUnshelve) (Alarms, error) {
	return a.changeAlarms(func(e *alarm.Engine, wall int64) (alarm.Record, error) { return unshelve(e, q, wall) })
}

// changeAlarms keeps what a person says of alarms.
func (a *Agent) changeAlarms(change func(*alarm.Engine, int64) (alarm.Record, error)) (Alarms, error) {
	_, wall := a.clock.Now()
	a.alarms.mu.Lock()
	r, err := change(a.alarms.engine, wall)
	if err == nil {
		r.Told = r.State == alarm.Unshelved // with what was raised meanwhile
		a.alarmsHappened([]alarm.Record{r})
		if r.Told {
			untold := a.alarms.engine.Untold(wall)
			for i := range untold {
				a.handOn(&untold[i])
			}
		}
	}
	a.alarms.mu.Unlock()
	if err != nil {
		return Alarms{}, err
	}
	if err := a.settleEvents(); err != nil { // it holds all the same, and goes to the disk when that takes it
		a.log.Warn("what was said of an alarm is not on the disk yet", "rule", r.Rule, "err", err)
	}
	return a.Alarms()
}

// acknowledge, shelve and unshelve check what a person says and enter it.
func acknowledge(e *alarm.Engine, q AlarmAck, wall int64) (r alarm.Record, err error) {
	if q.Who, err = alarmPerson(q.Who); err != nil {
		return r, err
	}
	if q.Why, err = noteText("why", q.Why, maxNoteText); err != nil {
		return r, err
	}
	id := strings.TrimSpace(q.ID)
	for _, s := range e.Book().Standing(wall) {
		if s.ID == id && s.AckMS != 0 {
			return r, wrongField("id", "%s acknowledged it already, at %s: nothing was changed", s.AckWho, Stamp(s.AckMS))
		}
	}
	return e.Book().Acknowledge(id, q.Who, q.Why, wall)
}

func shelve(e *alarm.Engine, q AlarmShelve, wall int64) (r alarm.Record, err error) {
	if err := knownAlarm(e, q.Rule, q.Subject); err != nil {
		return r, err
	}
	if q.Who, err = alarmPerson(q.Who); err != nil {
		return r, err
	}
	if q.Why, err = noteText("why", q.Why, maxNoteText); err != nil {
		return r, err
	}
	if q.Why == "" {
		return r, wrongField("why", "say why it is not to be told: who finds it shelved wants to know")
	}
	span, err := quantity.ParseDim(q.For, quantity.Duration)
	if err != nil {
		return r, wrongField("for", "%v", err)
	}
	if d := time.Duration(span.SI() * float64(time.Second)); span.SI() <= 0 || span.SI() > alarm.MostShelved.Seconds() || d < time.Minute {
		return r, wrongField("for", "%s is not from a minute to 7 days: what is to be silent for longer is no alarm, take it out of the site file", span)
	}
	until := wall + int64(span.SI()*1000)
	return e.Book().Shelve(q.Rule, q.Subject, until, q.Who, q.Why, wall), nil
}

func unshelve(e *alarm.Engine, q AlarmUnshelve, wall int64) (r alarm.Record, err error) {
	if q.Who, err = alarmPerson(q.Who); err != nil {
		return r, err
	}
	r, err = e.Book().Unshelve(q.Rule, q.Subject, q.Who, "", wall)
	if errors.Is(err, alarm.ErrNotShelved) {
		return r, wrongField("rule", "%v", err)
	}
	return r, err
}

func alarmPerson(who string) (string, error) {
	who, err := noteText("who", who, maxNoteAuthor)
	if err == nil && who == "" {
		err = wrongField("who", "say who you are: the history keeps it")
	}
	return who, err
}

// knownAlarm refuses a rule or subject that there is not.
func knownAlarm(e *alarm.Engine, rule, subject string) error {
	var names []string
	for _, r := range e.Rules() {
		if r.Name == rule {
			if of := r.Subjects(); subject != "" && !slices.Contains(of, subject) {
				return wrongField("subject", "%q is not watched by it: use one of %s%s", subject, strings.Join(of, ", "), didYouMean(subject, of))
			}
			return nil
		}
		names = append(names, r.Name)
	}
	if len(names) == 0 {
		return wrongField("rule", "the site file has no [[alarm]]: docs/alarms.md shows a list")
	}
	return wrongField("rule", "%q is no alarm of the site file: use one of %s%s", rule, strings.Join(names, ", "), didYouMean(rule, names))
}

// AcknowledgeStopped, ShelveStopped and UnshelveStopped are the same on the store of a
// stopped agent. They fail with an error that wraps store.ErrLocked while one runs.
func AcknowledgeStopped(site *sitefile.Site, o Options, q AlarmAck) (Event, error) {
	return changeStopped(site, o, func(e *alarm.Engine, wall int64) (alarm.Record, error) { return acknowledge(e, q, wall) })
}

// ShelveStopped is ShelveAlarm without an agent.
func ShelveStopped(site *sitefile.Site, o Options, q AlarmShelve) (Event, error) {
	return changeStopped(site, o, func(e *alarm.Engine, wall int64) (alarm.Record, error) { return shelve(e, q, wall) })
}

// UnshelveStopped is UnshelveAlarm without an agent.
func UnshelveStopped(site *sitefile.Site, o Options, q AlarmUnshelve) (Event, error) {
	return changeStopped(site, o, func(e *alarm.Engine, wall int64) (alarm.Record, error) { return unshelve(e, q, wall) })
}

func changeStopped(site *sitefile.Site, o Options, change func(*alarm.Engine, int64) (alarm.Record, error)) (Event, error) {
	return keepStopped(site, o, func(h *History, _ time.Time) (store.Event, error) {
		e, wall, err := h.stoppedAlarms()
		if err != nil {
			return store.Event{}, err
		}
		r, err := change(e, wall)
		if err != nil {
			return store.Event{}, err
		}
		kept, err := h.store.AppendEvent(h.alarmEvent(&r))
		if err != nil {
			return kept, fmt.Errorf("keep it: %w", err)
		}
		return kept, nil
	})
}
