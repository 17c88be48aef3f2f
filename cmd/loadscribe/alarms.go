package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

type alarmsCmd struct {
	List        alarmsListCmd     `cmd:"" default:"withargs" help:"List what stands, what is watched, and how messages go."`
	Acknowledge alarmsAckCmd      `cmd:"" help:"Say that you have taken note of an alarm."`
	Shelve      alarmsShelveCmd   `cmd:"" help:"Let an alarm not be told for a time, at most 7 days."`
	Unshelve    alarmsUnshelveCmd `cmd:"" help:"Let a shelved alarm be told again."`
	History     alarmsHistoryCmd  `cmd:"" help:"List what was raised, returned, acknowledged and shelved."`
	TestMessage alarmsTestCmd     `cmd:"" help:"Send a test message and tell what the other end says (needs a running agent)."`
}

type alarmsListCmd struct {
	siteFlags
	JSON bool `help:"Print the JSON of /api/v1/alarms."`
}

// Run lists the alarms.
func (c *alarmsListCmd) Run(s *surroundings) error {
	site, source, err := c.open(s)
	if err != nil {
		return err
	}
	defer source.Close()
	all, err := source.Alarms(s.ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, all)
	}
	return printAlarms(s.stdout, &all, site)
}

type alarmsAckCmd struct {
	ID string `arg:"" help:"The alarm's id, as the list and its messages have it."`
	siteFlags
	Who string `required:"" help:"Who you are." placeholder:"NAME"`
	Why string `help:"What was found or done." placeholder:"TEXT"`
}

// Run acknowledges an alarm.
func (c *alarmsAckCmd) Run(s *surroundings) error {
	q := agent.AlarmAck{ID: c.ID, Who: c.Who, Why: c.Why}
	return c.changeAlarms(s, "/api/v1/alarms/acknowledge", q, func(site *sitefile.Site, o agent.Options) (agent.Event, error) {
		return agent.AcknowledgeStopped(site, o, q)
	}, "acknowledged")
}

type alarmsShelveCmd struct {
	Rule string `arg:"" help:"The alarm's name in the site file."`
	siteFlags
	Subject string `help:"Only of this machine, system or device." placeholder:"NAME"`
	For     string `required:"" help:"For how long, such as 8h; at most 7 days." placeholder:"TIME"`
	Who     string `required:"" help:"Who you are." placeholder:"NAME"`
	Why     string `required:"" help:"Why it is not to be told." placeholder:"TEXT"`
}

// Run shelves an alarm.
func (c *alarmsShelveCmd) Run(s *surroundings) error {
	q := agent.AlarmShelve{Rule: c.Rule, Subject: c.Subject, For: c.For, Who: c.Who, Why: c.Why}
	return c.changeAlarms(s, "/api/v1/alarms/shelve", q, func(site *sitefile.Site, o agent.Options) (agent.Event, error) {
		return agent.ShelveStopped(site, o, q)
	}, "shelved for "+c.For+"; it is still watched and kept in the history")
}

type alarmsUnshelveCmd struct {
	Rule string `arg:"" help:"The alarm's name in the site file."`
	siteFlags
	Subject string `help:"As it was shelved." placeholder:"NAME"`
	Who     string `required:"" help:"Who you are." placeholder:"NAME"`
}

// Run takes a shelf back.
func (c *alarmsUnshelveCmd) Run(s *surroundings) error {
	q := agent.AlarmUnshelve{Rule: c.Rule, Subject: c.Subject, Who: c.Who}
	return c.changeAlarms(s, "/api/v1/alarms/unshelve", q, func(site *sitefile.Site, o agent.Options) (agent.Event, error) {
		return agent.UnshelveStopped(site, o, q)
	}, "told again")
}

type alarmsHistoryCmd struct {
	siteFlags
	windowFlags
	Limit int  `default:"1000" help:"At most so many, the newest." placeholder:"N"`
	JSON  bool `help:"Print the JSON of /api/v1/events?kind=alarm, the newest first."`
}

// Run lists the history.
func (c *alarmsHistoryCmd) Run(s *surroundings) error {
	events := eventsCmd{siteFlags: c.siteFlags, windowFlags: c.windowFlags, Kind: []string{"alarm"}, Limit: c.Limit, JSON: c.JSON}
	return events.Run(s)
}

type alarmsTestCmd struct {
	Target string `arg:"" help:"mail, or the name of a webhook in the site file."`
	siteFlags
	JSON bool `help:"Print the JSON of the answer."`
}

// Run sends a test message.
func (c *alarmsTestCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	r, err := needRunning(s, site, "a test message is sent by it")
	if err != nil {
		return err
	}
	defer r.Close()
	tested, err := r.TestAlarm(s.ctx, agent.AlarmTest{Target: c.Target})
	if err != nil {
		return alarmMisuse(err)
	}
	if c.JSON {
		if err := printJSON(s.stdout, tested); err != nil {
			return err
		}
	} else if tested.OK {
		fmt.Fprintf(s.stdout, "%s took the test message: %s\n", tested.Target, oneLine(tested.Answer))
	}
	if !tested.OK {
		return fmt.Errorf("the test message did not get through to %s: %s", tested.Target, oneLine(tested.Answer))
	}
	return nil
}

// alarmMisuse names the flag or argument that is at fault.
func alarmMisuse(err error) error {
	field := (*agent.FieldError)(nil)
	if !errors.As(err, &field) {
		return err
	}
	names := map[string]string{"id": "the id", "rule": "the rule", "target": "the target"}
	name, ok := names[field.Field]
	if !ok {
		name = "--" + field.Field
	}
	return misuse{fmt.Errorf("%s: %s", name, field.Message)}
}

// printAlarms writes what stands first.
func printAlarms(w io.Writer, all *agent.Alarms, site *sitefile.Site) error {
	at := func(t agent.Stamp) string {
		return time.UnixMilli(int64(t)).In(site.Location).Format("Mon 2006-01-02 15:04:05")
	}
	wrap := &wrapWriter{out: w}
	out := tabwriter.NewWriter(wrap, 0, 0, 2, ' ', 0)
	if len(all.Standing) == 0 {
		fmt.Fprintln(out, "no alarm stands")
	}
	for i := range all.Standing {
		printStanding(out, &all.Standing[i], at)
	}
	if len(all.Rules) == 0 {
		fmt.Fprintln(out, "the site file has no [[alarm]]: nothing is watched; docs/alarms.md shows a list")
	} else {
		fmt.Fprintln(out, "\nwatched")
	}
	same := sameWhy(all.Rules)
	for i := range all.Rules {
		r := &all.Rules[i]
		fmt.Fprintf(out, "  %s\t%s\t%s\t%s\n", r.Rule, r.State, r.Priority, r.Text)
		if r.Why != "" && same == "" {
			fmt.Fprintf(out, "  \t\t\tdoes not see: %s\n", r.Why)
		}
		for _, s := range r.Shelved {
			fmt.Fprintf(out, "  \t\t\tshelved%s until %s by %s: %s\n", ofSubject(s.Subject), at(s.Until), s.Who, oneLine(s.Why))
		}
	}
	if same != "" {
		fmt.Fprintf(out, "  %s\n", same)
	}
	if len(all.Targets) > 0 {
		fmt.Fprintln(out, "\nmessages go to")
	}
	for i := range all.Targets {
		printTarget(out, &all.Targets[i], at)
	}
	fmt.Fprintf(out, "\n%s\n", all.Caution)
	return errors.Join(out.Flush(), wrap.Close())
}

// sameWhy is why no rule sees anything, where that is the same for several.
func sameWhy(rules []agent.AlarmRule) string {
	for i := range rules {
		if len(rules) < 2 || rules[i].Why != rules[0].Why {
			return ""
		}
	}
	if len(rules) == 0 {
		return ""
	}
	return rules[0].Why
}

func ofSubject(subject string) string {
	if subject == "" {
		return ""
	}
	return " of " + subject
}

func printStanding(out io.Writer, a *agent.StandingAlarm, at func(agent.Stamp) string) {
	since := "since " + at(a.Since)
	if a.SinceAtLeast {
		since += " at least"
	}
	fmt.Fprintf(out, "%s  %s (%s): %s\n", a.ID, a.Rule, a.Priority, a.Text)
	fmt.Fprintf(out, "          %s, raised %s", since, at(a.Raised))
	if a.Times > 1 {
		fmt.Fprintf(out, ", %d times within the hour", a.Times)
	}
	if a.Returned != 0 {
		fmt.Fprintf(out, "; returned %s, waits to be acknowledged", at(a.Returned))
	}
	if a.Acknowledged != nil {
		fmt.Fprintf(out, "; acknowledged by %s", a.Acknowledged.Who)
		if a.Acknowledged.Why != "" {
			fmt.Fprintf(out, " (%s)", oneLine(a.Acknowledged.Why))
		}
	}
	if a.ShelvedUntil != 0 {
		fmt.Fprintf(out, "; shelved until %s", at(a.ShelvedUntil))
	}
	fmt.Fprintln(out)
}

func printTarget(out io.Writer, t *agent.AlarmTarget, at func(agent.Stamp) string) {
	said := []string{"nothing sent yet"}
	if t.LastSent != 0 {
		said[0] = "last sent " + at(t.LastSent)
	}
	if t.Waiting > 0 {
		said = append(said, counted(int(t.Waiting), "message")+" waiting")
	}
	if t.GivenUp > 0 {
		said = append(said, counted(int(t.GivenUp), "message")+" given up")
	}
	if t.FailingSince != 0 {
		said = append(said, "failing since "+at(t.FailingSince))
	}
	if t.Why != "" {
		said = append(said, oneLine(t.Why))
	}
	fmt.Fprintf(out, "  %s\t%s\t%s\t%s\n", t.Name, t.Kind, t.To, strings.Join(said, "; "))
}
