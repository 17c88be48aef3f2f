package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/intake"
	"loadscribe/agent/sitefile"
)

// importAnswer is what an import found and did. report and done are shown as
// the fields say.
type importAnswer struct {
	report intake.Report
	done   *agent.ImportDone

	From    agent.Stamp    `json:"from"`
	To      agent.Stamp    `json:"to"`
	Scans   int64          `json:"scans"` // of the files
	Loggers []importLogger `json:"loggers"`
	// Aligned is what --align found, whether it was applied or not.
	Aligned []importAligned `json:"aligned,omitempty"`
	Record  *importRecord   `json:"record,omitempty"`
	Notes   []string        `json:"notes"`
	// Import is the number of the import; 0: nothing was imported.
	Import   int      `json:"import"`
	Imported uint64   `json:"imported"` // scans, those of the record included
	Learnt   []string `json:"levels_learnt,omitempty"`
}

type importLogger struct {
	Name  string        `json:"logger"`
	Clock string        `json:"clock"`
	Files []importFile  `json:"files"`
	From  agent.Stamp   `json:"from"`
	To    agent.Stamp   `json:"to"`
	Rows  int64         `json:"rows"`
	Scans int64         `json:"scans"`
	Group []importGroup `json:"groups"`
	Notes []string      `json:"notes"`
}

type importFile struct {
	Path   string `json:"path"`
	SHA256 string `json:"sha256"`
	Rows   int64  `json:"rows"`
}

type importGroup struct {
	Device string  `json:"device"`
	Every  string  `json:"every"`
	StepS  float64 `json:"step_s"` // how far its readings lie apart, the median
	Scans  int64   `json:"scans"`
}

type importAligned struct {
	Logger       string  `json:"logger"`
	Against      string  `json:"against"`
	By           string  `json:"by"` // the channels compared
	OffsetS      float64 `json:"offset_s"`
	DriftPPM     float64 `json:"drift_ppm"`
	UncertaintyS float64 `json:"uncertainty_s"`
	Matched      int     `json:"matched"`
	Of           int     `json:"of"`
	Text         string  `json:"text"`
	Absent       string  `json:"absent,omitempty"` // why there is none
}

type importRecord struct {
	Dir     string      `json:"dir"`
	From    agent.Stamp `json:"from"`
	To      agent.Stamp `json:"to"`
	Scans   uint64      `json:"scans"`
	LeftOut uint64      `json:"left_out,omitempty"` // of a clock that was never set
}

// describe puts what was found into the answer.
func (b *bringing) describe() {
	a := &b.answer
	r := &a.report
	a.From, a.To, a.Scans, a.Notes = agent.Stamp(r.FromMS), agent.Stamp(r.ToMS), r.Scans, []string{}
	a.Loggers = nil
	for _, l := range r.Loggers {
		shown := importLogger{Name: l.Name, Clock: clockText(l.Clock), From: agent.Stamp(l.FromMS), To: agent.Stamp(l.ToMS),
			Rows: l.Rows, Scans: l.Scans, Notes: append([]string{}, l.Notes...), Files: []importFile{}, Group: []importGroup{}}
		for _, f := range l.Files {
			shown.Files = append(shown.Files, importFile{f.Path, f.SHA256, f.Rows})
		}
		for _, g := range l.Groups {
			shown.Group = append(shown.Group, importGroup{g.Device, g.Every, float64(g.StepMS) / 1000, g.Scans})
		}
		a.Loggers = append(a.Loggers, shown)
	}
	if now := time.Now(); r.ToMS > now.UnixMilli() {
		a.Notes = append(a.Notes, fmt.Sprintf("readings lie in the future: they go on until %s, and this computer's clock says %s; if it is the logger's clock that is wrong, write [logger.clock] offset into the mapping",
			b.local(r.ToMS), b.local(now.UnixMilli())))
	}
	if b.record != nil {
		st := b.record.Stats()
		a.Record = &importRecord{Dir: b.c.Record, From: agent.Stamp(st.OldestMS), To: agent.Stamp(st.NewestMS)}
		if from := b.record.RawFrom(); from != 0 {
			a.Notes = append(a.Notes, fmt.Sprintf("raw readings before %s are no longer kept in %s (keep_raw): its record comes in from there on", b.local(from), b.c.Record))
		}
		for _, g := range b.record.Groups() {
			if _, ok := b.site.DeviceByName(g.Device); !ok {
				a.Notes = append(a.Notes, fmt.Sprintf("device %q of the record is not in %s: its readings are kept and exported, but are in no figure", g.Device, b.site.Path))
			}
		}
	}
}

func (b *bringing) local(ms int64) string {
	return time.UnixMilli(ms).In(b.site.Location).Format("2006-01-02 15:04:05")
}

// show prints the answer of what was not imported, or all of it as JSON.
func (b *bringing) show() error {
	if b.c.JSON {
		if d := b.answer.done; d != nil {
			b.answer.Import, b.answer.Imported, b.answer.Learnt = d.Number, d.Scans, d.Learnt
			if r := b.answer.Record; r != nil {
				r.Scans, r.LeftOut = d.Record, d.LeftOut
			}
		}
		return printJSON(b.s.stdout, &b.answer)
	}
	if err := b.print(); err != nil {
		return err
	}
	last := "nothing was imported: --dry-run"
	if b.c.Align {
		last = "nothing was imported: this is what is proposed; --align --yes imports with these clocks"
	}
	_, err := fmt.Fprintln(b.s.stdout, last)
	return err
}

// print writes what was found in the files.
func (b *bringing) print() error {
	out := bufio.NewWriter(b.s.stdout)
	for _, l := range b.answer.Loggers {
		fmt.Fprintf(out, "%s: %s in %s, %s to %s; clock: %s\n", l.Name, amount(l.Rows, "row", "rows"), amount(int64(len(l.Files)), "file", "files"),
			b.local(int64(l.From)), b.local(int64(l.To)), l.Clock)
		for _, g := range l.Group {
			fmt.Fprintf(out, "  device %s: %s, one in %s (the site file says every %s)\n", g.Device, amount(g.Scans, "scan", "scans"),
				time.Duration(g.StepS*float64(time.Second)), g.Every)
		}
		for _, n := range l.Notes {
			fmt.Fprintf(out, "  note: %s\n", n)
		}
	}
	for _, a := range b.answer.Aligned {
		if a.Absent != "" {
			fmt.Fprintf(out, "clock of %s: not found: %s\n", a.Logger, a.Absent)
			continue
		}
		fmt.Fprintf(out, "clock of %s: %s (by %s)\n", a.Logger, a.Text, a.By)
	}
	if r := b.answer.Record; r != nil {
		fmt.Fprintf(out, "record of %s: %s to %s\n", r.Dir, b.local(int64(r.From)), b.local(int64(r.To)))
	}
	for _, n := range b.answer.Notes {
		fmt.Fprintln(out, "note:", n)
	}
	return out.Flush()
}

// printDone says what was done and how it is taken back.
func (b *bringing) printDone() error {
	d := b.answer.done
	out := bufio.NewWriter(b.s.stdout)
	fmt.Fprintf(out, "import %d: %s now in %s", d.Number, amount(int64(d.Scans), "scan is", "scans are"), b.site.Agent.DataDir)
	if b.record != nil {
		fmt.Fprintf(out, ", %d of them from the record of %s", d.Record, b.c.Record)
	}
	fmt.Fprintln(out)
	if d.LeftOut > 0 {
		fmt.Fprintf(out, "note: %s of the record left out: the clock was never set, nobody knows when they were\n", amount(int64(d.LeftOut), "scan was", "scans were"))
	}
	for _, m := range d.Learnt {
		fmt.Fprintf(out, "the levels of %s were learnt from its readings; see loadscribe levels\n", m)
	}
	at := "--site " + b.c.Site
	if b.c.Data != "" {
		at += " --data " + b.c.Data
	}
	fmt.Fprintf(out, "see loadscribe summary %s --from %s --to %s; to take it back: import %s --undo %d\n", at,
		time.UnixMilli(b.fromMS()).UTC().Format(time.RFC3339), time.UnixMilli(b.answer.report.ToMS+1000).UTC().Format(time.RFC3339), at, d.Number)
	return out.Flush()
}

func printImports(w io.Writer, all []agent.Imported, site *sitefile.Site) error {
	out := bufio.NewWriter(w)
	if len(all) == 0 {
		fmt.Fprintln(out, "nothing was imported")
	}
	for _, im := range all {
		state := ""
		if im.Undone {
			state = "; undone"
		}
		fmt.Fprintf(out, "%d  %s  %s to %s  %d scans  %s%s\n", im.Number, time.UnixMilli(int64(im.Time)).In(site.Location).Format("2006-01-02 15:04"),
			im.From, im.To, im.Scans, im.Text, state)
		for line := range strings.Lines(im.Data["files"]) {
			fmt.Fprintf(out, "     %s\n", strings.TrimSpace(line))
		}
	}
	return out.Flush()
}

// meter shows how far something is, on a terminal alone.
type meter struct {
	out  io.Writer
	told string
}

func newMeter(w io.Writer) meter {
	if f, ok := w.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode()&os.ModeCharDevice != 0 {
			return meter{out: w}
		}
	}
	return meter{}
}

// share shows done of total; it writes nothing while the per cent stay.
func (m *meter) share(what string, done, total int64) {
	if m.out == nil || total <= 0 {
		return
	}
	text := fmt.Sprintf("%s: %d %%", what, min(100, 100*done/total))
	if text != m.told {
		m.told = text
		fmt.Fprintf(m.out, "\r%s", text)
	}
}

func (m *meter) end() {
	if m.told != "" {
		fmt.Fprintln(m.out)
		m.told = ""
	}
}
