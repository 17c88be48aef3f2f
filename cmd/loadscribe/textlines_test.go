package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
	"loadscribe/simulator/serve"
)

// tapped keeps what is written to a line.
type tapped struct {
	io.ReadWriteCloser

	mu   sync.Mutex // guards said
	said bytes.Buffer
}

func (t *tapped) Write(p []byte) (int, error) {
	t.mu.Lock()
	t.said.Write(p)
	t.mu.Unlock()
	return t.ReadWriteCloser.Write(p)
}

func (t *tapped) text() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.said.String()
}

// textEnds is the far ends of the two lines of configs/text-line.toml: one
// that answers and one that prints.
type textEnds struct {
	mu       sync.Mutex // guards taps
	taps     map[string]*tapped
	endsSite func(text string) string // puts the ends into the site file
}

func (e *textEnds) tap(name string, rw io.ReadWriteCloser) *tapped {
	t := &tapped{ReadWriteCloser: rw}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.taps[name] = t
	return t
}

// serveTexts serves the joinery's text panel in both modes until the test
// ends: the answering one on a pseudo-terminal, the printing one there too or,
// as behind a serial device server, over TCP.
func serveTexts(t *testing.T, overTCP bool) *textEnds {
	t.Helper()
	driver := newDriver(t)
	e := &textEnds{taps: map[string]*tapped{}}
	ctx, cancel := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	t.Cleanup(func() { cancel(); ended.Wait() })
	background := func(run func(context.Context) error) {
		ended.Go(func() {
			if err := run(ctx); err != nil {
				t.Errorf("simulator: %v", err)
			}
		})
	}
	background(driver.Follow)
	asked, err := serve.OpenPty()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	echoing := serve.NewTextPanel(driver, 1, 9600, nil)
	echoing.Echo = true
	background(func(ctx context.Context) error { return echoing.Answer(ctx, e.tap("asked", asked)) })
	panel := serve.NewTextPanel(driver, 1, 9600, nil)
	printing := ""
	if overTCP {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		printing = fmt.Sprintf("address = %q", listener.Addr())
		background(func(ctx context.Context) error {
			return serve.ServeTextTCP(ctx, listener, func(ctx context.Context, rw io.ReadWriteCloser) error {
				return panel.Print(ctx, e.tap("printing", rw), time.Second)
			})
		})
	} else {
		pty, err := serve.OpenPty()
		if err != nil {
			t.Fatal(err)
		}
		printing = fmt.Sprintf("port = %q", pty.Path())
		background(func(ctx context.Context) error { return panel.Print(ctx, e.tap("printing", pty), time.Second) })
	}
	e.endsSite = strings.NewReplacer(`"/dev/ttyUSB0"`, strconv.Quote(asked.Path()), `address = "192.0.2.9:4001"`, printing).Replace
	return e
}

// newDriver is the joinery on a working day, an hour after its start.
func newDriver(t *testing.T) *serve.Driver {
	t.Helper()
	scenario, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	world, err := simulator.New(scenario, time.Now().Add(-time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	world.Advance(time.Now().Add(-time.Second))
	return serve.NewDriver(world)
}

// panelChannels are the channels of both maps in the order of the pages.
var panelChannels = []string{"discharge_pressure", "sump_pressure", "receiver_pressure", "discharge_temperature", "ambient_temperature",
	"motor_running", "loaded", "standby", "run_hours", "loaded_hours", "start_count", "motor_current"}

// panelScans reads what was said on a line, by the words of the panel alone,
// as the rows that an export must have.
func panelScans(t *testing.T, said string) []string {
	t.Helper()
	page := regexp.MustCompile(`(?m)(?:^|\r)!?(AIR|HOT|RUN)[ ,]+([^*=\r]*?) ?[*=][0-9A-F]{2}\r$`)
	split := regexp.MustCompile(`[ ,]+`)
	point := func(digits string) string { // one decimal, not printed
		digits = strings.TrimLeft(digits, "0")
		for len(digits) < 2 {
			digits = "0" + digits
		}
		return digits[:len(digits)-1] + "." + digits[len(digits)-1:]
	}
	yes := func(is bool) string {
		if is {
			return "1"
		}
		return "0"
	}
	var rows []string
	var row []string
	for _, m := range page.FindAllStringSubmatch(said, -1) {
		f := split.Split(m[2], -1)
		switch m[1] {
		case "AIR":
			row = f[:3:3]
		case "HOT":
			row = append(row, f[:2]...)
		case "RUN":
			starts, err := strconv.ParseUint(f[3], 16, 32)
			if err != nil {
				t.Fatalf("%q: %v", m[0], err)
			}
			row = append(row, yes(f[0] == "LOAD" || f[0] == "IDLE"), yes(f[0] == "LOAD"), yes(f[0] == "READY"),
				point(f[1]), point(f[2]), fmt.Sprint(starts), point(f[4]))
			if len(row) == len(panelChannels) {
				rows = append(rows, strings.Join(row, " "))
			}
			row = nil
		}
	}
	return rows
}

// exportedPanel exports a device's values, as a user would, and returns a row
// for each time, good values only.
func exportedPanel(t *testing.T, site, device string) (rows []string) {
	t.Helper()
	args := []string{"export", "--site", site, "--from", "-1h"}
	for _, c := range panelChannels {
		args = append(args, "--channel", device+"."+c)
	}
	var out, errs bytes.Buffer
	if code := execute(t.Context(), args, &out, &errs); code != exitFine {
		t.Fatalf("export ended with %d: %s", code, errs.String())
	}
	records, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	byTime := map[string]map[string]string{}
	var times []string
	for _, r := range records[1:] { // time, device, channel, value, unit, quality
		if r[5] != "good" {
			t.Logf("gap: %v", r)
			continue
		}
		if byTime[r[0]] == nil {
			byTime[r[0]] = map[string]string{}
			times = append(times, r[0])
		}
		byTime[r[0]][r[2]] = r[3]
	}
	for i, at := range times {
		if i == 0 && len(byTime[at]) < len(panelChannels) {
			continue // listening began in the midst of what was printed
		}
		var row []string
		for _, c := range panelChannels {
			row = append(row, byTime[at][c])
		}
		rows = append(rows, strings.Join(row, " "))
	}
	return rows
}

// TestTextLines runs the agent with configs/text-line.toml and its maps against
// the simulator's panel in both modes, with echo where it is asked, and holds
// the exported values against what was said on the lines.
func TestTextLines(t *testing.T) {
	for name, overTCP := range map[string]bool{"ports": false, "a port and a device server": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			ends := serveTexts(t, overTCP)
			dir := t.TempDir()
			if err := os.CopyFS(filepath.Join(dir, "maps"), os.DirFS("../../configs/maps")); err != nil {
				t.Fatal(err)
			}
			text, err := os.ReadFile("../../configs/text-line.toml")
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, "site.toml")
			if err := os.WriteFile(path, []byte(ends.endsSite(string(text))), 0o600); err != nil {
				t.Fatal(err)
			}
			site, err := sitefile.Load(path, sitefile.Options{})
			if err != nil {
				t.Fatal(err)
			}
			recorder, err := agent.Open(site, agent.Options{Version: "test"})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 6*time.Second)
			defer cancel()
			if err := recorder.Run(ctx, "", nil); err != nil {
				t.Fatal(err)
			}
			for device, line := range map[string]string{"controller1": "asked", "controller2": "printing"} {
				ends.mu.Lock()
				tap := ends.taps[line]
				ends.mu.Unlock()
				said, got := panelScans(t, tap.text()), exportedPanel(t, path, device)
				if len(got) < 4 {
					t.Errorf("%s: %d scans in six seconds; said:\n%s", device, len(got), tap.text())
					continue
				}
				// The first and the last that were said may have been cut off.
				all, part := strings.Join(said, "\n")+"\n", strings.Join(got, "\n")+"\n"
				if !strings.Contains(all, part) {
					t.Errorf("%s: exported\n%s\nis not in what was said\n%s", device, part, all)
				}
			}
		})
	}
}
