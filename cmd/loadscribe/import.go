package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"

	"loadscribe/agent"
	"loadscribe/agent/intake"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

type importCmd struct {
	siteFlags
	Map     string   `help:"The column mapping: which column of which file is what." placeholder:"FILE"`
	Files   []string `arg:"" optional:"" help:"CSV files, as NAME=PATH where the mapping has several loggers; those that the mapping names if none is given." placeholder:"[NAME=]PATH"`
	Record  string   `help:"Another data directory, whose whole record comes in with the files: for a study of both, into a new --data." placeholder:"DIR"`
	Align   bool     `help:"Find by what the loggers' clocks are off from what several of them saw, and show it; nothing is imported without --yes."`
	AlignTo string   `help:"The logger whose clock is right, or record; the record if there is one, else the first logger of the mapping." placeholder:"NAME"`
	Yes     bool     `help:"With --align: import with the clocks as found."`
	DryRun  bool     `help:"Read and check everything, import nothing."`
	Undo    int      `help:"Take back the import of this number (see --list)." placeholder:"N"`
	List    bool     `help:"List the imports."`
	JSON    bool     `help:"Print JSON."`
}

func (c *importCmd) Run(s *surroundings) error {
	if err := c.use(); err != nil {
		return misuse{err}
	}
	site, err := c.load()
	if err != nil {
		return err
	}
	switch {
	case c.List:
		return c.list(s, site)
	case c.Undo != 0:
		return c.undo(s, site)
	}
	return c.bring(s, site)
}

// use refuses flags that do not go together.
func (c *importCmd) use() error {
	brings := c.Map != "" || len(c.Files) > 0 || c.Record != "" || c.Align || c.AlignTo != "" || c.Yes || c.DryRun
	switch {
	case c.List && c.Undo != 0, (c.List || c.Undo != 0) && brings:
		return errors.New("--list and --undo stand alone")
	case c.Undo < 0:
		return fmt.Errorf("--undo %d: see the numbers with --list", c.Undo)
	case c.List, c.Undo != 0:
		return nil
	case c.Map == "":
		return errors.New("--map FILE is missing: a column mapping says which column is what; docs/importing.md shows how one is written")
	case c.AlignTo != "" && !c.Align, c.Yes && !c.Align:
		return errors.New("--align-to and --yes go with --align")
	case c.Yes && c.DryRun:
		return errors.New("--yes imports and --dry-run does not: give one of them")
	case c.AlignTo == recordName && c.Record == "":
		return errors.New("--align-to record needs --record DIR")
	}
	return nil
}

// bringing is one import on its way.
type bringing struct {
	c       *importCmd
	s       *surroundings
	site    *sitefile.Site
	mapping *intake.Mapping
	files   []intake.File
	record  *store.Store // nil: none
	in      *intake.Intake
	found   []found // what alignment proposes
	answer  importAnswer
	meter   meter
}

func (c *importCmd) bring(s *surroundings, site *sitefile.Site) (err error) {
	b := &bringing{c: c, s: s, site: site, meter: newMeter(s.stderr)}
	if b.mapping, err = intake.ReadMapping(c.Map); err != nil {
		return err
	}
	if b.files, err = b.mapping.FilesOf(c.Files); err != nil {
		return err
	}
	newestMS, err := newestOf(site.Agent.DataDir)
	if err != nil {
		return err
	}
	if c.Record != "" {
		if b.record, err = store.OpenReadOnly(c.Record, store.Options{Log: s.logger()}); err != nil {
			return fmt.Errorf("--record: %w", err)
		}
		defer func() { err = errors.Join(err, b.record.Close()) }()
	}
	if err := b.check(); err != nil {
		return err
	}
	if c.Align {
		if err := b.align(); err != nil {
			return err
		}
	}
	if err := agent.AfterRecord(b.fromMS(), newestMS, site); err != nil {
		return err
	}
	b.describe()
	if c.DryRun || c.Align && !c.Yes {
		return b.show()
	}
	return b.take()
}

// check reads all files once.
func (b *bringing) check() (err error) {
	if b.in, err = intake.Open(b.site, b.mapping, b.files); err != nil {
		return err
	}
	b.answer.report, err = b.in.Check(b.s.ctx, func(done, total int64) { b.meter.share("checking", done, total) })
	b.meter.end()
	return err
}

// fromMS is when the first reading of files and record was.
func (b *bringing) fromMS() int64 {
	from := b.answer.report.FromMS
	if b.record != nil {
		if oldest := b.record.Stats().OldestMS; oldest > 0 {
			from = min(from, oldest)
		}
	}
	return from
}

// newestOf is the time of the newest reading in a data directory; 0: none.
func newestOf(dir string) (int64, error) {
	st, err := store.OpenReadOnly(dir, store.Options{})
	switch {
	case errors.Is(err, store.ErrNoStore):
		return 0, nil
	case err != nil:
		return 0, heldBy(err, dir)
	}
	newest := st.Stats().NewestMS
	return newest, st.Close()
}

// heldBy says who must be stopped before something is imported.
func heldBy(err error, dir string) error {
	if !errors.Is(err, store.ErrLocked) {
		return err
	}
	who := "an agent"
	if in, ok, _ := agent.ReadInstance(dir); ok {
		who = fmt.Sprintf("process %d", in.PID)
	}
	return fmt.Errorf("%s: %w: %s records there; stop it first, import, then start it again, or import into another --data", dir, store.ErrLocked, who)
}

// take imports what was checked.
func (b *bringing) take() error {
	if !b.c.JSON {
		if err := b.print(); err != nil {
			return err
		}
	}
	order := agent.ImportOrder{FromMS: b.answer.report.FromMS, Scans: b.scans, Record: b.record, Text: b.sentence(), Data: b.data(),
		Texts: [][]byte{b.mapping.Text}, Aligned: b.alignedText()}
	total := b.answer.report.Scans
	if b.record != nil {
		total += int64(b.record.LastSeq())
	}
	order.Progress = func(scans uint64) { b.meter.share("importing", int64(scans), total) }
	done, err := agent.Import(b.s.ctx, b.site, order, agent.Options{Version: version, Log: b.s.logger()})
	b.meter.end()
	if err != nil {
		return heldBy(fmt.Errorf("%w (nothing was imported)", err), b.site.Agent.DataDir)
	}
	b.answer.done = &done
	if b.c.JSON {
		return b.show()
	}
	return b.printDone()
}

// scans hands on the files' scans; groups are all of the site.
func (b *bringing) scans(ctx context.Context, groups []*scan.Group, fn func(*scan.Scan) error) error {
	var filled []*scan.Group
	for _, g := range b.in.Groups() {
		i := slices.IndexFunc(groups, func(o *scan.Group) bool { return o.Device == g.Device && o.PeriodMS == g.PeriodMS })
		filled = append(filled, groups[i])
	}
	return b.in.Scans(ctx, filled, fn)
}

// data is what the event says of the files and clocks.
func (b *bringing) data() map[string]string {
	sum := sha256.Sum256(b.mapping.Text)
	d := map[string]string{"mapping": hex.EncodeToString(sum[:]), "mapping_file": b.c.Map}
	var files, clocks []string
	for _, l := range b.answer.report.Loggers {
		for _, f := range l.Files {
			files = append(files, fmt.Sprintf("%s %s %d rows of %s", f.Path, f.SHA256, f.Rows, l.Name))
		}
		clocks = append(clocks, l.Name+": "+clockText(l.Clock))
	}
	d["files"], d["clocks"] = strings.Join(files, "\n"), strings.Join(clocks, "\n")
	if b.record != nil {
		d["record"] = b.c.Record
		if head, err := b.record.Evidence(); err == nil { // a store of an older format has none
			d["record_checkpoint"] = string(head.Text)
		}
	}
	return d
}

// clockText says what is added to a logger's stamps, so that it can be written
// into a mapping.
func clockText(c intake.Clock) string {
	if c == (intake.Clock{}) {
		return "as its stamps say"
	}
	text := "offset " + strconv.FormatFloat(c.OffsetMS/1000, 'f', 3, 64) + " s"
	if c.DriftPPM != 0 {
		text += fmt.Sprintf(" at %s, drift %s ppm", agent.Stamp(c.AtMS), strconv.FormatFloat(c.DriftPPM, 'f', 3, 64))
	}
	return text
}

// sentence is the text of the event.
func (b *bringing) sentence() string {
	r := &b.answer.report
	rows, files := int64(0), 0
	var names []string
	for _, l := range r.Loggers {
		rows += l.Rows
		files += len(l.Files)
		names = append(names, l.Name)
	}
	text := fmt.Sprintf("%s of %s from %s", amount(rows, "row", "rows"), strings.Join(names, ", "), amount(int64(files), "file", "files"))
	if b.record != nil {
		text += ", with the record of " + b.c.Record
	}
	return text + " imported"
}

func amount(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.FormatInt(n, 10) + " " + many
}

// list shows what was imported, also while an agent runs.
func (c *importCmd) list(s *surroundings, site *sitefile.Site) error {
	source, err := ask(s, site)
	if err != nil {
		return err
	}
	defer source.Close()
	all, err := importsIn(s.ctx, source)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, all)
	}
	return printImports(s.stdout, all, site)
}

// importsIn reads the imports out of the events, however old they are.
func importsIn(ctx context.Context, source asked) ([]agent.Imported, error) {
	const most = 10_000
	page, err := source.Events(ctx, window{"1970-01-02", "2200-01-01"}, eventFilter{kinds: []string{store.KindImport, store.KindImportUndone}, limit: most})
	if err != nil {
		return nil, err
	}
	return agent.ImportsOf(page.Events), nil
}

func (c *importCmd) undo(s *surroundings, site *sitefile.Site) error {
	if _, err := os.Stat(site.Agent.DataDir); errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%w: %d; nothing was recorded in %s", agent.ErrNoImport, c.Undo, site.Agent.DataDir)
	}
	done, err := agent.UndoImport(s.ctx, site, c.Undo, agent.Options{Version: version, Log: s.logger()})
	if err != nil {
		return heldBy(err, site.Agent.DataDir)
	}
	if c.JSON {
		return printJSON(s.stdout, struct {
			Undone int      `json:"undone"`
			Scans  uint64   `json:"scans"`
			Learnt []string `json:"levels_learnt,omitempty"`
		}{done.Number, done.Scans, done.Learnt})
	}
	_, err = fmt.Fprintf(s.stdout, "import %d is undone: %s gone, every figure was made anew without them; the hashes of what was there stay.\n",
		done.Number, amount(int64(done.Scans), "scan is", "scans are"))
	for _, m := range done.Learnt {
		if err == nil {
			_, err = fmt.Fprintf(s.stdout, "the levels of %s were learnt anew from what is left; see loadscribe levels\n", m)
		}
	}
	return err
}
