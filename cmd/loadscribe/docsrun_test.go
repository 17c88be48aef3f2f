//go:build !windows

package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"loadscribe/cmd/loadscribe/stage"
)

const (
	// docsRoot is where README.md and docs/ lie.
	docsRoot = "../.."
	// docPatience is how long one line of a page may take.
	docPatience = time.Minute
)

// TestDocsRun takes README.md and every page of docs at their word: each command that
// they show is run in a folder with a recorded week of the simulated joinery, each
// example is loaded as what it is, each path of the API is looked up. What cannot be
// run here is in docExceptions, each with its reason; DEVELOPERS.md tells how a page
// writes its blocks.
func TestDocsRun(t *testing.T) {
	if testing.Short() {
		t.Skip("starts hundreds of processes of its own, which the race detector does not see into")
	}
	pages, err := readDocs(docsRoot)
	if err != nil {
		t.Fatal(err)
	}
	d := newDocs(t, 0)
	// Within a test of their own, so that the list is looked at when all have ended.
	t.Run("pages", func(t *testing.T) {
		for _, p := range pages {
			t.Run(strings.TrimSuffix(filepath.Base(p.name), ".md"), func(t *testing.T) {
				t.Parallel()
				for _, m := range d.check(t, p) {
					t.Error(m)
				}
			})
		}
	})
	if one := flag.Lookup("test.run").Value.String(); !t.Failed() && !strings.Contains(one, "/") { // one page alone has no use for all
		for _, m := range d.unused() {
			t.Error(m)
		}
		t.Log(d.done)
		for what, least := range map[string]int{"lines run": 100, "examples loaded": 25, "paths looked up": 45, "commands looked up": 150, "flags looked up": 80} {
			if d.done[what] < least {
				t.Errorf("%d %s, at least %d are expected", d.done[what], what, least)
			}
		}
	}
}

// docs is what all pages are held to.
type docs struct {
	parser   docParser
	routes   map[string]docRoute
	recorded string // a folder with a recorded week and its site file
	t        *testing.T
	demoOnce sync.Once

	mu   sync.Mutex
	used map[string]bool // entries of the lists that a page had a use for
	done map[string]int  // what was run, loaded, looked up
}

// did counts a piece of work.
func (d *docs) did(what string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.done[what]++
}

// newDocs records so much of the joinery, from a Monday in March on.
func newDocs(t *testing.T, length time.Duration) *docs {
	t.Helper()
	d := &docs{parser: newDocParser(t), routes: readRoutes(t), recorded: filepath.Join(t.TempDir(), "week"), t: t, used: map[string]bool{}, done: map[string]int{}}
	story, err := stage.Open(d.recorded, stage.Options{Scenario: "joinery", Length: length})
	if err != nil {
		t.Fatal(err)
	}
	if err := story.Record(t.Context(), "test"); err != nil {
		t.Fatal(err)
	}
	return d
}

// docSiteAlarms are the alarms of the recorded site; the last one is raised by any pressure.
const docSiteAlarms = `
[[alarm]]
name = "no readings"
on = "no data"
priority = "high"

[[alarm]]
name = "any pressure"
on = "reading"
channel = "controller.discharge_pressure"
above = "-1 psi"
`

// use remembers that an entry of a list was met.
func (d *docs) use(entry string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.used[entry] = true
}

// docRun is the work on one page.
type docRun struct {
	*docs
	t        *testing.T
	page     *docPage
	dir      string
	before   string // lines that later ones of the block build on: variables, folders
	said     string // by the last line on standard output
	outs     int    // files that were given names
	agent    *docAgent
	mistakes []docMistake
}

func (r *docRun) wrong(line int, format string, values ...any) {
	r.mistakes = append(r.mistakes, docMistake{r.page.name, line, fmt.Sprintf(format, values...)})
}

// check returns what is wrong on a page.
func (d *docs) check(t *testing.T, p *docPage) []docMistake {
	r := &docRun{docs: d, t: t, page: p, dir: t.TempDir()}
	defer func() { r.stopped() }()
	r.laidOut()
	spans := p.spans
	until := func(line int) { // in the order of the page: what a block made is there for what follows
		for len(spans) > 0 && spans[0].line < line {
			r.span(spans[0])
			spans = spans[1:]
		}
	}
	for _, b := range p.blocks {
		until(b.line)
		r.block(b)
		r.before = ""
	}
	until(math.MaxInt)
	return r.mistakes
}

// laidOut fills the page's folder: the recorded shop, the examples of configs, and
// what blocks of the page say that they are.
func (r *docRun) laidOut() {
	r.copied(r.recorded, ".")
	r.copied(filepath.Join(docsRoot, "configs"), "configs")
	r.write(stage.SiteFile, r.read(stage.SiteFile)+docSiteAlarms)
	r.write(docSite, readText(r.t, "configs/joinery.toml")+docSiteMore)
	r.write("configs/maps/inputs.toml", docMapMore)
	r.write(docScenario, readText(r.t, "simulator/scenarios/pump-up-test.toml"))
	for _, b := range r.page.blocks {
		if name := b.note["file"]; name != "" {
			r.write(name, b.text)
		}
	}
	for _, f := range docFiles {
		if strings.Contains(r.page.text, f.name) && !r.has(f.name) {
			r.use(f.name)
			f.write(r)
		}
	}
}

func (r *docRun) write(name, text string) {
	path := filepath.Join(r.dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		r.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
}

func (r *docRun) has(name string) bool {
	_, err := os.Stat(filepath.Join(r.dir, filepath.FromSlash(name)))
	return err == nil
}

// block checks one block by what stands behind its fence.
func (r *docRun) block(b docBlock) {
	switch b.kind {
	case "sh":
		for _, l := range shellLines(b) {
			r.shellLine(l)
		}
		r.paths(b.line, b.text)
	case "bat":
		for i, l := range strings.Split(b.text, "\n") {
			r.windowsLine(b.line+i, l)
		}
	case "toml":
		r.toml(b)
	case "json":
		r.json(b)
	case "yaml":
		r.yaml(b)
	case "promql":
		r.promql(b)
	default:
		r.shown(b)
	}
}

// shellLine runs one line of a shell block.
func (r *docRun) shellLine(l shellLine) {
	e := r.exception(l.text)
	text := l.text
	if e == nil {
		text = r.standIn(text)
	}
	calls := simpleCommands(text)
	for _, words := range calls {
		words = ownWords(words)
		if len(words) == 0 || !isProgram(words[0]) {
			continue
		}
		if why := r.parser.parse(words[1:]); why != "" {
			r.wrong(l.line, "%s: %s", strings.Join(words, " "), why)
			return
		}
	}
	if e != nil {
		return
	}
	for _, words := range calls {
		if words = ownWords(words); len(words) > 0 && !isProgram(words[0]) && !slices.Contains(docTools, words[0]) {
			r.wrong(l.line, "%q is run by no test: name it in docTools where it harms nothing, or the line in docExceptions", words[0])
			return
		}
	}
	r.runLine(l.line, text, l.exit)
}

// runLine runs a line with what the page set before, and compares how it ends.
func (r *docRun) runLine(line int, text string, want int) {
	r.did("lines run")
	for _, words := range simpleCommands(text) {
		if words = ownWords(words); len(words) > 1 && isProgram(words[0]) {
			r.readyFor(words[1:])
		}
	}
	if i := slices.IndexFunc(docLasting, func(l docLasts) bool { return l.is(text) }); i >= 0 {
		r.lasts(line, text, &docLasting[i])
		return
	}
	code, out, errs := r.shell(text)
	if r.said = out; code != want {
		r.wrong(line, "%s\nends with %d, not with %d:\n%s%s", text, code, want, out, errs)
	}
	if _, folder, ok := strings.Cut(" "+text, " cd "); ok {
		r.before += "cd " + folder + "\n"
	} else if words := strings.Fields(text); len(words) > 0 && isAssignment(words[0]) {
		r.before += text + "\n"
	}
}

// shell runs a text in the page's folder.
func (r *docRun) shell(text string) (code int, stdout, stderr string) {
	ctx, cancel := context.WithTimeout(r.t.Context(), docPatience)
	defer cancel()
	cmd := exec.CommandContext(ctx, "sh", "-c", "set -e\n"+r.before+text)
	cmd.Dir = r.dir
	cmd.Env = append(os.Environ(), "HOME="+r.dir)
	cmd.Stdin = strings.NewReader(docTyped)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = time.Second
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var ended *exec.ExitError
	switch {
	case err == nil:
		return exitFine, out.String(), errs.String()
	case ctx.Err() == nil && errors.As(err, &ended):
		return ended.ExitCode(), out.String(), errs.String()
	}
	return -1, out.String(), fmt.Sprintf("%s\n%v", errs.String(), err)
}

// windowsLine gives a line of a Windows console to the parser: nothing is run.
func (r *docRun) windowsLine(line int, text string) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return
	}
	if !isProgram(words[0]) {
		if r.exception(text) == nil {
			r.wrong(line, "%q is not this program: name the line in docExceptions", words[0])
		}
		return
	}
	if why := r.parser.parse(words[1:]); why != "" {
		r.wrong(line, "%s: %s", text, why)
	}
}

// standIn puts what this folder has in the place of what a page leaves open.
func (r *docRun) standIn(text string) string {
	for i := range docStandIns {
		s := &docStandIns[i]
		if s.page != "" && s.page != r.page.name || !strings.Contains(text, s.shown) {
			continue
		}
		r.use(s.key())
		here := s.here
		if s.find != nil {
			here = s.find(r)
		}
		text = strings.ReplaceAll(text, s.shown, here)
	}
	return text
}

// exception finds the reason why a line is not run. Who runs the program, and from
// where, makes no difference.
func (r *docRun) exception(text string) *docException {
	if m := programBefore.FindString(text); m != "" {
		text = "loadscribe " + text[len(m):]
	}
	for i := range docExceptions {
		e := &docExceptions[i]
		if (e.page == "" || e.page == r.page.name) && strings.HasPrefix(text+" ", e.begins+" ") {
			r.use(e.key())
			return e
		}
	}
	return nil
}

var programBefore = regexp.MustCompile(`^(sudo (-u \S+ )?)?(\./|bin/)*loadscribe `)

// unused are the entries of the lists that no page has a use for.
func (d *docs) unused() (all []string) {
	for i := range docExceptions {
		if e := &docExceptions[i]; !d.used[e.key()] {
			all = append(all, fmt.Sprintf("docExceptions: no page shows %q (%s)", e.begins, e.why))
		}
	}
	for i := range docStandIns {
		if s := &docStandIns[i]; !d.used[s.key()] {
			all = append(all, fmt.Sprintf("docStandIns: no page shows %q", s.shown))
		}
	}
	for _, f := range docFiles {
		if !d.used[f.name] {
			all = append(all, "docFiles: no page names "+f.name)
		}
	}
	return all
}
