// Command loadscribe listens to air compressors: see the README.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"slices"
	"syscall"

	"github.com/alecthomas/kong"

	"loadscribe/agent/oplog"
	"loadscribe/cmd/loadscribe/service"
)

// version and commit are set at build time.
var (
	version = "dev"
	commit  = ""
)

// Exit codes: design, section 5.
const (
	exitFine     = 0
	exitFailed   = 1
	exitWrongUse = 2
)

type commands struct {
	Demo        demoCmd        `cmd:"" help:"Show an invented shop, simulated, with a week of history behind it."`
	New         newCmd         `cmd:"" help:"Make a first site file with the help of a page, then record."`
	Run         runCmd         `cmd:"" help:"Record: poll the lines of a site file, keep every reading, serve the pages."`
	Simulate    simulateCmd    `cmd:"" help:"Serve simulated controllers over TCP or a pseudo-terminal."`
	Probe       probeCmd       `cmd:"" help:"Find what answers on a line, see its registers live, write a register map."`
	Check       checkCmd       `cmd:"" help:"Check a site file and its register maps without touching a line."`
	Summary     summaryCmd     `cmd:"" help:"Print every figure for a window."`
	Demand      demandCmd      `cmd:"" help:"Print a system's demand for air by steps of time: what the plant took."`
	Money       moneyCmd       `cmd:"" help:"Print what the electricity of a window cost, when and for what; what a little pressure costs."`
	Compare     compareCmd     `cmd:"" help:"Tell what was saved between two periods, with an interval, as a rebate programme asks."`
	Replay      replayCmd      `cmd:"" help:"Tell what other settings or machines would have done with the same air; first, how well that meets what was measured."`
	Report      reportCmd      `cmd:"" help:"Write the audit report of a window: pages, a PDF, a workbook and all of it as JSON."`
	Levels      levelsCmd      `cmd:"" help:"Show, learn or set the levels of power or current that tell a machine's states."`
	Events      eventsCmd      `cmd:"" help:"List what happened: states, faults, line troubles, changed settings, notes."`
	ServiceDue  serviceDueCmd  `cmd:"" help:"List when each service item of each machine is due, by hours really run or months."`
	Audit       auditCmd       `cmd:"" help:"How a week's audit stands, step by step: what is done, what is still missing; begin one, say something of a step."`
	Test        testCmd        `cmd:"" help:"Guided tests: what leaks, and what a machine really delivers (needs a running agent)."`
	Leaks       leaksCmd       `cmd:"" help:"Leaks that people tagged: list, add, mended, again, correct, withdraw."`
	Alarms      alarmsCmd      `cmd:"" help:"Alarms of the site file: what stands, what is watched; acknowledge, shelve, history, a test message."`
	RemoteWrite remoteWriteCmd `cmd:"" help:"How it stands with the receivers to whom samples are sent on: how far behind, refused and why."`
	Note        noteCmd        `cmd:"" help:"Write down what was done or seen at a machine."`
	Export      exportCmd      `cmd:"" help:"Write readings as CSV, or as an evidence bundle that anyone can check."`
	Verify      verifyCmd      `cmd:"" help:"Check an evidence bundle, or with --site the whole record: that the readings are what was logged."`
	Checkpoint  checkpointCmd  `cmd:"" help:"Print the newest signed checkpoint of the evidence log, to be kept outside this machine."`
	Import      importCmd      `cmd:"" help:"Bring in what other loggers recorded, CSV files by a column mapping; or take it back."`
	Backup      backupCmd      `cmd:"" help:"Copy the whole record to one file, while the agent runs or when it is stopped."`
	Compact     compactCmd     `cmd:"" help:"Give back the space that a stopped store no longer needs."`
	Service     serviceCmd     `cmd:"" help:"Install it as a service that starts with this computer; start, stop, look at, remove it."`
	People      peopleCmd      `cmd:"" help:"Who may sign in to the pages where they are shown to a network, and what scrapes of /metrics bear."`
	Size        sizeCmd        `cmd:"" help:"Sums of an audit without a record: leaks by hole and pressure, leak tests, receivers, efficiency, flows in other conditions."`
	Version     versionCmd     `cmd:"" help:"Print what this is and where data lives."`
}

// surroundings are what a command needs of the process, so that tests can
// bring their own.
type surroundings struct {
	ctx    context.Context
	stdout io.Writer
	stderr io.Writer
	// eventLog takes what belongs into the system's event log; nil: there is none.
	eventLog func(level slog.Level, text string)
	notify   service.Notify // tells the service manager how it stands
}

func (s *surroundings) logger() *slog.Logger {
	return slog.New(slog.NewTextHandler(s.stderr, &slog.HandlerOptions{Level: slog.LevelInfo}))
}

// openLog opens the log of a recording agent; file may be empty.
func (s *surroundings) openLog(file string) (log *slog.Logger, shut func() error, err error) {
	o := oplog.Options{Stderr: s.stderr, File: file, System: s.eventLog}
	if f, ok := s.stderr.(*os.File); ok {
		o.Journal = oplog.ToJournal(f, os.Getenv("JOURNAL_STREAM"))
	}
	return oplog.Open(o)
}

// misuse marks an error that is the caller's: exit code 2.
type misuse struct{ error }

func (m misuse) Unwrap() error { return m.error }

func main() {
	if service.Managed() {
		// No signals: Windows tells services as well when anybody signs out, which Go makes a
		// SIGTERM of (golang.org/issue/40167); its service manager has words of its own to stop
		// one. There is no standard output either, and writing to it would fail.
		os.Exit(service.Serve(context.Background(), func(ctx context.Context, notify service.Notify, eventLog func(slog.Level, string)) int {
			return executeIn(&surroundings{ctx: ctx, stdout: io.Discard, stderr: io.Discard, notify: notify, eventLog: eventLog}, os.Args[1:])
		}))
	}
	ctx, stop := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		<-signals
		stop()
		<-signals
		os.Exit(exitFailed) // a second signal does not wait for order
	}()
	os.Exit(execute(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// execute runs one command line and returns the exit code.
func execute(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	return executeIn(&surroundings{ctx: ctx, stdout: stdout, stderr: stderr, notify: service.FromEnvironment()}, args)
}

func executeIn(s *surroundings, args []string) int {
	stdout, stderr := s.stdout, s.stderr
	if len(args) == 0 { // a person who does not know the commands yet
		inner := *s
		inner.stdout = stderr
		executeIn(&inner, []string{"--help"})
		return exitWrongUse
	}
	var c commands
	code := -1
	parser, err := newParser(&c, stdout, stderr, func(n int) { code = n })
	if err != nil {
		fmt.Fprintln(stderr, "loadscribe:", err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if code >= 0 { // --help
		return code
	}
	if err == nil {
		err = valueMissing(parsed, args)
	}
	if err != nil {
		fmt.Fprintf(stderr, "loadscribe: %v\n(see loadscribe --help)\n", err)
		return exitWrongUse
	}
	s.stdout, s.stderr = onTerminal(stdout), onTerminal(stderr)
	stderr = s.stderr
	err = parsed.Run(s)
	if err != nil && s.eventLog != nil { // a service of Windows has no standard error
		s.eventLog(slog.LevelError, err.Error())
	}
	var wrong misuse
	switch {
	case err == nil:
		return exitFine
	case errors.As(err, &wrong):
		fmt.Fprintln(stderr, "loadscribe:", err)
		return exitWrongUse
	default:
		fmt.Fprintln(stderr, "loadscribe:", err)
		return exitFailed
	}
}

// newParser makes the parser of command lines; exit takes the place of leaving the
// process, which help asks for.
func newParser(c *commands, stdout, stderr io.Writer, exit func(int)) (*kong.Kong, error) {
	return kong.New(c,
		kong.Name("loadscribe"),
		kong.Description("Listens to air compressors: keeps every reading, computes what follows, serves it live.\n"+
			"It only reads; nothing is ever written to a controller."),
		kong.Writers(stdout, stderr),
		kong.WithHyphenPrefixedParameters(true),
		kong.Exit(exit),
	)
}

// valueMissing refuses a flag at the end of the line without its value, which
// the parser takes for an empty one.
func valueMissing(parsed *kong.Context, args []string) error {
	if len(args) == 0 || slices.Contains(args, "--") { // what stands behind that is no flag
		return nil
	}
	for _, p := range parsed.Path {
		if f := p.Flag; f != nil && !f.IsBool() && args[len(args)-1] == "--"+f.Name {
			return fmt.Errorf("--%s: its value is missing: write --%s %s", f.Name, f.Name, f.PlaceHolder)
		}
	}
	return nil
}
