package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/probe"
	"loadscribe/agent/sitefile"
)

// look explores and watches one table and prints it.
func (p *probing) look(ctx context.Context, session *probe.Session, unit byte, table sitefile.Table, wait time.Duration) (*probe.Range, error) {
	fmt.Fprintf(p.s.stderr, "reading %s %d-%d of unit %d, around its holes\n", table, p.From, int(p.From)+p.Count-1, unit)
	r, err := probe.Explore(ctx, session, unit, table, p.From, p.Count, wait)
	if err != nil {
		return nil, err
	}
	var seen []probe.Snapshot
	if r.Here() > 0 {
		fmt.Fprintf(p.s.stderr, "watching for %v; let the machine load and unload if you can\n", p.Watch)
		seen, err = r.Watch(ctx, session, watchEvery, p.Watch, p.live(r))
		if err != nil {
			return nil, err
		}
	}
	rows := r.Rows(seen)
	p.looks = append(p.looks, probe.Look{Range: r, Rows: rows})
	p.report.Tables = append(p.report.Tables, probeTable{Table: table, From: p.From, Count: p.Count, Here: r.Here(),
		Holes: append([]probe.Hole{}, r.Holes()...), Seen: len(seen), Rows: rows})
	return r, printRows(p.out, r, rows)
}

// liveRows bounds the table that is drawn again and again.
const liveRows = 18

// live returns what redraws the moving registers on a terminal, or nil where
// the output is a file or a program. Windows' older consoles do not know the
// control characters: there the table comes at the end.
func (p *probing) live(r *probe.Range) func(probe.Snapshot) {
	if p.JSON || !terminal(p.s.stdout) || runtime.GOOS == "windows" {
		return nil
	}
	var seen []probe.Snapshot
	return func(s probe.Snapshot) {
		seen = append(seen, s)
		fmt.Fprint(screenOf(p.out), "\x1b[H\x1b[J") // to the corner, clear
		fmt.Fprintf(p.out, "%s of unit %d, %.0f s\n", r.Table, r.Unit, s.At.Sub(seen[0].At).Seconds())
		still, left := 0, 0
		for _, row := range r.Rows(seen) {
			switch {
			case row.Movement.Kind == probe.Steady || row.Movement.Kind == probe.Unknown:
				still++
			case left < liveRows:
				left++
				fmt.Fprintf(p.out, "  %5d  %s  %6.0f  %s\n", row.Address, row.Hex, row.Readings[0].Value, row.Movement.Text)
			}
		}
		fmt.Fprintf(p.out, "  %d more stand still\n", still)
	}
}

func terminal(v any) bool {
	if w, ok := v.(io.Writer); ok {
		v = screenOf(w)
	}
	f, ok := v.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func printRows(out io.Writer, r *probe.Range, rows []probe.Row) error {
	fmt.Fprintf(out, "\n%s of unit %d, addresses counted from zero\n", r.Table, r.Unit)
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if r.IsBits() {
		fmt.Fprintln(table, "  address\tvalue\tmovement")
	} else {
		fmt.Fprintln(table, "  address\tbefore\traw\tafter\tu16\ti16\tu32 big\tu32 little\tf32 big\tf32 little\tbits 15-0\tmovement")
	}
	for i := range rows {
		row := &rows[i]
		if r.IsBits() {
			fmt.Fprintf(table, "  %d\t%s\t%s\n", row.Address, row.Hex, row.Movement.Text)
			continue
		}
		fmt.Fprintf(table, "  %d\t%s\t%s\t%s", row.Address, neighbour(row.Before), row.Hex, neighbour(row.After))
		for _, kind := range []string{"u16", "i16", "u32 big", "u32 little", "f32 big", "f32 little"} {
			fmt.Fprintf(table, "\t%s", shownReading(row, kind))
		}
		fmt.Fprintf(table, "\t%s\t%s\n", row.Bits, movementText(row))
	}
	if err := table.Flush(); err != nil {
		return err
	}
	for _, h := range r.Holes() {
		place := strconv.Itoa(int(h.From))
		if h.To != h.From {
			place += "-" + strconv.Itoa(int(h.To))
		}
		fmt.Fprintf(out, "  %s: cannot be read (%s)\n", place, h.Why)
	}
	return nil
}

func neighbour(word *uint16) string {
	if word == nil {
		return "-"
	}
	return fmt.Sprintf("%04X", *word)
}

func shownReading(row *probe.Row, kind string) string {
	for _, r := range row.Readings {
		if strings.TrimSpace(r.Type+" "+r.Words) == kind && r.Plausible {
			if r.Type != "f32" {
				return strconv.FormatFloat(r.Value, 'f', -1, 64)
			}
			return strconv.FormatFloat(r.Value, 'g', 7, 64)
		}
	}
	return "."
}

// movementText adds which bits moved, where there are few, and what the
// two-word readings did.
func movementText(row *probe.Row) string {
	text := row.Movement.Text
	if n := len(row.BitsMoved); n > 0 && n <= 3 {
		word := "bits"
		if n == 1 {
			word = "bit"
		}
		text += fmt.Sprintf(" (%s %s)", word, strings.Trim(fmt.Sprint(row.BitsMoved), "[]"))
	}
	return strings.Join(append([]string{text}, row.Also...), "; ")
}

func printHealth(out io.Writer, h *probe.Health) {
	fmt.Fprintf(out, "\nline: %d questions, %d answers, %d refusals, %d silences, %d bad checksums, %d wrong answers\n",
		h.Asked, h.Answers, h.Exceptions, h.Silences, h.BadChecksums, h.WrongAnswers)
	if h.TimeoutMS > 0 {
		fmt.Fprintf(out, "round trip: half within %.1f ms, 95 %% within %.1f, 99 %% within %.1f, longest %.1f; suggested timeout %.0f ms\n",
			h.P50MS, h.P95MS, h.P99MS, h.MaxMS, h.TimeoutMS)
	}
	for _, text := range h.Verdict {
		fmt.Fprintln(out, text)
	}
}

const promptHelp = `name what you recognise, one a line; an empty line ends:
  name 0 discharge_pressure u16 0.1 psi
  name 20.1 loaded
  name holding:8 power f32-little 1 kW`

// prompt lets a person at a terminal name registers.
func (p *probing) prompt(ctx context.Context) error {
	keys := p.keys
	if keys == nil && terminal(os.Stdin) && terminal(p.s.stdout) {
		keys = os.Stdin
	}
	if keys == nil || len(p.looks) == 0 || p.WriteMap == "" || p.JSON {
		return nil
	}
	fmt.Fprintln(p.out, "\n"+promptHelp)
	lines := typed(ctx, keys)
	for {
		fmt.Fprint(p.out, "> ")
		select {
		case line, more := <-lines:
			if line = strings.TrimSpace(line); !more || line == "" {
				return nil
			}
			p.take(strings.Fields(line))
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// typed hands on the lines of keys. A terminal's read cannot be broken off, so
// the goroutine ends with its input or with the process.
func typed(ctx context.Context, keys io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for in := bufio.NewScanner(keys); in.Scan(); {
			select {
			case lines <- in.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return lines
}

// take names one register, or says what is wrong with the line.
func (p *probing) take(fields []string) {
	if fields[0] == "name" {
		fields = fields[1:]
	}
	n, err := probe.NameOf(fields, p.onlyTable())
	if err == nil {
		err = p.seen(&n)
	}
	if err != nil {
		fmt.Fprintln(p.out, err)
		return
	}
	p.names = append(p.names, n)
	fmt.Fprintf(p.out, "%s is %s %d\n", n.Channel, n.Table, n.Address)
}

// seen refuses a name for a place that the device does not have.
func (p *probing) seen(n *probe.Name) error {
	for _, l := range p.looks {
		if err := n.Within(l.Range); err != nil {
			return err
		}
	}
	return nil
}

// write writes the map and shows the part of a site file that uses it.
func (p *probing) write(device probe.Found) error {
	if len(p.names) == 0 {
		if p.WriteMap != "" {
			return fmt.Errorf("%s was not written: nothing is named", p.WriteMap)
		}
		return nil
	}
	for i := range p.names {
		if err := p.seen(&p.names[i]); err != nil {
			return fmt.Errorf("--name: %w", err)
		}
	}
	if err := probe.WriteMap(p.WriteMap, probe.MapText(p.Title, p.names, p.looks)); err != nil {
		return err
	}
	p.report.Map = p.WriteMap
	p.report.Site = p.sitePart(device)
	fmt.Fprintf(p.out, "\nwrote %s with %d channels. For the site file:\n\n%s\n", p.WriteMap, len(p.names), p.report.Site)
	return nil
}

// sitePart is the line and the device as a site file has them.
func (p *probing) sitePart(device probe.Found) string {
	var b strings.Builder
	kind := sitefile.ModbusRTU
	switch {
	case p.line.Framing == modbus.TCP:
		kind = sitefile.ModbusTCP
	case !p.line.Serial:
		kind = sitefile.ModbusRTUOverTCP
	case p.line.Framing == modbus.ASCII:
		kind = sitefile.ModbusASCII
	}
	fmt.Fprintf(&b, "[[line]]\nname = \"bus\"\nkind = %q\n", string(kind))
	if p.line.Serial {
		fmt.Fprintf(&b, "port = %s\nserial = %q\n", strconv.Quote(p.Port), device.Setting)
	} else {
		fmt.Fprintf(&b, "address = %s\n", strconv.Quote(p.Address))
	}
	if h := p.report.Health; h != nil && h.TimeoutMS > 0 {
		fmt.Fprintf(&b, "timeout = \"%.0fms\"\n", h.TimeoutMS)
	}
	fmt.Fprintf(&b, "\n[[device]]\nname = \"controller\"\nline = \"bus\"\nunit = %d\nmap = %s\nevery = \"1s\"\n",
		device.Unit, strconv.Quote(filepath.Base(p.WriteMap)))
	return b.String()
}
