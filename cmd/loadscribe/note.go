package main

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

type noteCmd struct {
	Words []string `arg:"" name:"text" help:"What was done or seen."`
	siteFlags
	Machine   string   `help:"What it is about: a machine, or a system, line or device of the site; all of it if not given, or what the note is about that this one corrects." placeholder:"NAME"`
	At        string   `help:"When it was so: RFC 3339, a local date, or an age such as -2h; now if not given." placeholder:"TIME"`
	Author    string   `help:"Who says so." placeholder:"NAME"`
	Service   string   `help:"The item of the machine's service list that was done; none takes back what --corrects says of one." placeholder:"ITEM"`
	HourMeter *float64 `help:"What the machine's hour meter showed then, in hours." placeholder:"HOURS"`
	Found     string   `help:"In which state the item that was done was found." placeholder:"TEXT"`
	Corrects  uint64   `help:"The number of an earlier note that this one puts right. Notes are never deleted." placeholder:"N"`
}

// Run keeps a note, through the running agent where there is one.
func (c *noteCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	if v := c.HourMeter; v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) { // JSON could not carry it to the agent
		return misuse{fmt.Errorf("--hour-meter: %g is no reading of an hour meter: give the hours it showed", *v)}
	}
	n := agent.Note{Text: strings.Join(c.Words, " "), Subject: c.Machine, Time: c.At, Author: c.Author, Corrects: c.Corrects,
		Service: c.Service, HourMeter: c.HourMeter, Found: c.Found}
	e, err := keepNote(s, site, n)
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		return misuse{fmt.Errorf("%s: %s", noteFlag(field.Field), field.Message)}
	}
	if err != nil {
		return err
	}
	about := site.Name
	if e.Subject != "" {
		about = e.Subject
	}
	fmt.Fprintf(s.stdout, "note %d about %s, %s\n", e.Seq, about,
		time.UnixMilli(int64(e.Time)).In(site.Location).Format("Mon 2006-01-02 15:04:05 MST"))
	if e.NotSafe {
		fmt.Fprintln(s.stderr, "note: the disk takes nothing just now: the agent keeps it in memory and writes it when it can; do not write it again")
	}
	return nil
}

func keepNote(s *surroundings, site *sitefile.Site, n agent.Note) (agent.Event, error) {
	e, err := agent.AddNoteStopped(site, agent.Options{Version: version, Log: s.logger()}, n)
	if !errors.Is(err, store.ErrLocked) {
		return e, err
	}
	r, err := reach(s, site)
	if err != nil {
		return agent.Event{}, err
	}
	defer r.Close()
	return r.Note(s.ctx, n)
}

// noteFlag is what the user calls a field of a note.
func noteFlag(field string) string {
	switch field {
	case "text":
		return "the text"
	case "subject":
		return "--machine"
	case "time":
		return "--at"
	case "hour_meter":
		return "--hour-meter"
	}
	return "--" + field
}
