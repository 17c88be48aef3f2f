package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/poll"
	"loadscribe/agent/sitefile"
)

type checkCmd struct {
	Site string `required:"" help:"The site file." placeholder:"FILE"`
	JSON bool   `help:"Print JSON."`
}

// lineLoad is how busy a line is predicted to be, as JSON.
type lineLoad struct {
	Line   string  `json:"line"`
	Share  float64 `json:"busy_share"`
	Advice string  `json:"advice,omitempty"`
}

func lineLoads(loads []poll.LineLoad) []lineLoad {
	all := make([]lineLoad, len(loads))
	for i, l := range loads {
		all[i] = lineLoad{l.Line, l.Share, l.Advice}
	}
	return all
}

func (c *checkCmd) Run(s *surroundings) error {
	site, err := loadSite(c.Site, sitefile.Options{})
	if err != nil {
		return err
	}
	groups := sitefile.Groups(site)
	channels := 0
	for _, g := range groups {
		channels += len(g.Channels)
	}
	warnings, loads, err := agent.SiteWarnings(site, time.Now())
	if err != nil {
		return err
	}
	warnings = append(warnings, site.TLSWarnings(time.Now())...)
	keep := keepRaw(site)
	instruments := site.InstrumentFacts(time.Now(), time.Now())
	if c.JSON {
		return json.NewEncoder(s.stdout).Encode(struct {
			Site        string                     `json:"site"`
			Hash        string                     `json:"site_hash"`
			Devices     int                        `json:"devices"`
			Channels    int                        `json:"channels"`
			Data        string                     `json:"data"`
			Warnings    []sitefile.Problem         `json:"warnings"`
			Lines       []lineLoad                 `json:"lines"`
			Instruments []sitefile.InstrumentFacts `json:"instruments"`
			KeepRaw     *rawKept                   `json:"keep_raw,omitempty"`
			Report      sitefile.ReportTexts       `json:"report"`
			Alarms      []checkedAlarm             `json:"alarms"`
		}{site.Name, site.Hash, len(site.Devices), channels, site.Agent.DataDir, warnings,
			lineLoads(loads), instruments, keep, site.Report, checkedAlarms(site)})
	}
	printParts(s.stdout, site, channels, len(groups))
	fmt.Fprintf(s.stdout, "data: %s\n", site.Agent.DataDir)
	printReportTexts(s.stdout, &site.Report)
	if keep != nil {
		fmt.Fprintln(s.stdout, keep)
	}
	for i := range instruments {
		fmt.Fprintln(s.stdout, "instrument", &instruments[i])
	}
	for _, l := range loads {
		fmt.Fprintf(s.stdout, "line %s: busy %.0f %% of the time (predicted)\n", l.Line, l.Share*100)
	}
	printAlarmCheck(s.stdout, site)
	for _, w := range warnings {
		fmt.Fprintln(s.stdout, "warning:", w.Error())
	}
	if len(warnings) > 0 {
		fmt.Fprintf(s.stdout, "%s, no error\n", counted(len(warnings), "warning"))
	} else {
		fmt.Fprintln(s.stdout, "no mistake found")
	}
	return nil
}

// printParts counts what the site has.
func printParts(w io.Writer, site *sitefile.Site, channels, groups int) {
	fmt.Fprintf(w, "%s: %s, %s, %s in %s, %s, %s\n", site.Name, counted(len(site.Lines), "line"), counted(len(site.Devices), "device"),
		counted(channels, "channel"), counted(groups, "poll group"), counted(len(site.Machines), "machine"), counted(len(site.Systems), "system"))
	for i := range site.Machines {
		m := &site.Machines[i]
		fmt.Fprintf(w, "machine %s: %s, %s filled\n", m.Name, m.Control, counted(len(m.Roles), "role"))
	}
}

// checkedAlarm is a rule of the site file, as JSON.
type checkedAlarm struct {
	Name     string   `json:"name"`
	On       string   `json:"on"`
	Of       string   `json:"of,omitempty"` // the machine, system, device or channel that it names
	Priority string   `json:"priority"`
	After    float64  `json:"after_s"`
	Clear    float64  `json:"clear_after_s"`
	Tell     []string `json:"tell"` // who gets its messages
}

func checkedAlarms(site *sitefile.Site) []checkedAlarm {
	all := make([]checkedAlarm, len(site.Alarms))
	for i := range site.Alarms {
		a := &site.Alarms[i]
		tell := append([]string{}, a.Tell...) // no null
		if a.TellAll {
			tell = site.Targets()
		}
		all[i] = checkedAlarm{a.Name, string(a.On), cmp.Or(a.Channel, a.Device, a.Machine, a.System), string(a.Priority),
			a.After.Seconds(), a.ClearAfter.Seconds(), tell}
	}
	return all
}

// printAlarmCheck writes how many alarms are set, and that they protect nobody.
func printAlarmCheck(out io.Writer, site *sitefile.Site) {
	if len(site.Alarms) == 0 {
		return
	}
	told := "told on the page alone"
	if targets := site.Targets(); len(targets) > 0 {
		told = "messages to " + strings.Join(targets, ", ")
	}
	fmt.Fprintf(out, "%s, %s; not a safety device: what protects people and machines are the machine's own safety devices\n", counted(len(site.Alarms), "alarm"), told)
}

// printReportTexts writes for whom a report is, where the site file says anything of it.
func printReportTexts(out io.Writer, r *sitefile.ReportTexts) {
	if *r != (sitefile.ReportTexts{}) {
		fmt.Fprintf(out, "report: for %s, by %s, at %s; goals %s, scope %s, notes on the system %s\n", orNobody(r.PreparedFor), orNobody(r.PreparedBy),
			cmp.Or(r.Place, "no place named"), said(r.Goals), said(r.Scope), said(r.SystemNotes))
	}
}

func orNobody(name string) string { return cmp.Or(name, "nobody named") }

func said(text string) string {
	if text == "" {
		return "not said"
	}
	return "said"
}

// counted is so many of a thing.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
