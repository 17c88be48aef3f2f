package main

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/simulator/serve"
)

// always is an injector that damages every answer in one way.
func always(t *testing.T, f serve.Fault) *serve.Injector {
	t.Helper()
	faults := serve.Faults{Seed: 1, By: time.Second}
	faults.Share[f] = 1
	injector, err := serve.NewInjector(faults)
	if err != nil {
		t.Fatal(err)
	}
	return injector
}

// TestRunKeepsTrying runs an agent on lines that are down and devices that are
// silent or answer wrongly: it goes on, says what is wrong and what mends it,
// and the gap is in the export with its reason.
func TestRunKeepsTrying(t *testing.T) {
	t.Parallel()
	const noOne = "127.0.0.1:1" // tcpmux, which nobody serves
	silent := servePlant(t, "127.0.0.1:0", always(t, serve.Silence))
	wrong := servePlant(t, "127.0.0.1:0", always(t, serve.WrongUnit))
	tests := []struct {
		name, line string
		lineUp     bool
		lineSays   string // in the state of the line
		reason     string // of the devices and of the export's rows
		deviceSays string // in the state of the devices
		logs       string
	}{
		{"serial port that is not there", "kind = \"modbus-rtu\"\nport = \"/dev/loadscribe-no-such-port\"\nserial = \"19200 8E1\"\n",
			false, "open serial port /dev/loadscribe-no-such-port at 19200 8E1: .*; plug the adapter in or put the right name under port",
			"port gone", `line "net" is down`, `line down.*loadscribe-no-such-port`},
		{"nobody at the address", netLine(noOne),
			false, noOne + ".*check", "port gone", `line "net" is down`, `line down.*` + noOne},
		{"silent devices", netLine(silent.address),
			true, "connected to " + silent.address, "timeout",
			`no answer from unit [12] at ` + silent.address + `: check power, unit id and network`, "device gives no values"},
		{"answers under another unit id", netLine(wrong.address),
			true, "connected to " + wrong.address, "wrong answer",
			`wrong answers to questions to unit [12] \(.*\): check .*unit ids`, "device gives no values"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			site := writeSite(t, dir, tt.line)
			if out := mustRun(t, "check", "--site", site); !strings.Contains(out, "no mistake found") {
				t.Errorf("check does not pass: %s", out)
			}
			u := start(t, "run", "--site", site)
			address := agentAt(t, dir)
			var st agent.State
			eventually(t, "a state that says that all are down", 20*time.Second, func() bool {
				st = stateAt(t, address)
				for _, d := range st.Devices {
					if d.Up || d.Reason == "" {
						return false
					}
				}
				return st.Lines[0].Up == tt.lineUp && st.DurableSeq > 0
			})
			says := func(what, pattern, text string) {
				if !regexp.MustCompile(pattern).MatchString(text) {
					t.Errorf("%s says %q, not what fits %q", what, text, pattern)
				}
			}
			says("the line", tt.lineSays, st.Lines[0].Detail)
			for _, d := range st.Devices {
				says("device "+d.Device, tt.deviceSays, d.Detail)
				if d.Reason != tt.reason || d.Errors[tt.reason] == 0 || d.Scans != 0 {
					t.Errorf("device %s: reason %q, errors %v, %d scans; want %q only", d.Device, d.Reason, d.Errors, d.Scans, tt.reason)
				}
			}
			status, body := tryGet("http://" + address + "/readyz")
			if status != http.StatusServiceUnavailable {
				t.Errorf("/readyz answers %d", status)
			}
			says("/readyz", "^not ready: no device answers: "+tt.deviceSays, body)
			// It goes on trying.
			tried := st.Devices[0].Errors[tt.reason]
			eventually(t, "another attempt", 20*time.Second, func() bool { return stateAt(t, address).Devices[0].Errors[tt.reason] > tried })
			if code := u.stop(); code != exitFine {
				t.Errorf("ended with %d", code)
			}
			says("stderr", tt.logs, u.stderr.String())
			rows := 0
			for line := range strings.Lines(mustRun(t, "export", "--site", site, "--from", "-1h")) {
				f := strings.Split(strings.TrimRight(line, "\r\n"), ",")
				if f[0] == "time" {
					continue
				}
				rows++
				if f[3] != "" || f[5] != tt.reason {
					t.Fatalf("the export has %q", line)
				}
			}
			if rows == 0 {
				t.Error("the gap is not in the export")
			}
		})
	}
}

// TestPortInUse takes the port first: recording must not suffer from that, but
// a demo that cannot be seen is none.
func TestPortInUse(t *testing.T) {
	t.Parallel()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { taken.Close() })
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	u := start(t, "run", "--site", site, "--listen", taken.Addr().String())
	address := agentAt(t, dir)
	if host, _, err := net.SplitHostPort(address); err != nil || host != "127.0.0.1" || address == taken.Addr().String() {
		t.Errorf("the pages are at %s", address)
	}
	for _, want := range []string{"port in use", taken.Addr().String(), "recording goes on", "http://" + address, "--listen"} {
		if !strings.Contains(u.stderr.String(), want) {
			t.Errorf("run does not say %q:\n%s", want, u.stderr)
		}
	}
	durable(t, address)
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d", code)
	}

	shop := filepath.Join(t.TempDir(), "shop")
	mustFail(t, exitFailed, []string{"the demo cannot listen on " + taken.Addr().String(), "--listen"},
		"demo", "--data", shop, "--listen", taken.Addr().String())
}

// TestSecondRun starts an agent on data that another one records to.
func TestSecondRun(t *testing.T) {
	t.Parallel()
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	u := start(t, "run", "--site", site)
	address := agentAt(t, dir)
	began := time.Now()
	mustFail(t, exitFailed, []string{filepath.Join(dir, "data"), "the data directory is in use", "process ", "http://" + address, "--data"},
		"run", "--site", site)
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("it took %v to be refused", took)
	}
	durable(t, address) // the first one goes on
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d", code)
	}
}

// TestNoPlaceForData names a file as the data directory.
func TestNoPlaceForData(t *testing.T) {
	dir := t.TempDir()
	site := writeSite(t, dir, netLine("127.0.0.1:9"))
	file := filepath.Join(dir, "file")
	writeFile(t, file, "not a folder")
	mustFail(t, exitFailed, []string{file, "give a folder this user may write to", "--data"}, "run", "--site", site, "--data", file)
}

// TestRunningAndStoppedAnswerAlike asks the same of a running agent, over its
// API, and of what it leaves behind: the same bytes for a window that is over,
// the same exit codes for what is wrong.
func TestRunningAndStoppedAnswerAlike(t *testing.T) {
	t.Parallel()
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address))
	u := start(t, "run", "--site", site)
	address := agentAt(t, dir)
	durable(t, address)
	eventually(t, "that both devices answer", 20*time.Second, func() bool {
		status, _ := tryGet("http://" + address + "/readyz")
		return status == http.StatusOK
	})
	from := time.Now().Add(-time.Minute).UTC().Format(time.RFC3339Nano)
	time.Sleep(2 * time.Second)
	to := time.Now().UTC().Format(time.RFC3339Nano)
	eventually(t, "that what was under way at the window's end is in", 20*time.Second, func() bool {
		return strings.Count(mustRun(t, "export", "--site", site, "--from", to), "\n") > 1 // one line, so one reading after another
	})
	window := []string{"--site", site, "--from", from, "--to", to}
	questions := map[string][]string{
		"summary":         {"summary"},
		"summary as JSON": {"summary", "--json", "--machine", "comp1"},
		"long export":     {"export"},
		"wide export":     {"export", "--layout", "wide"},
		"two channels":    {"export", "--channel", "meter.power", "--channel", "controller.discharge_pressure"},
		"one column":      {"export", "--layout", "wide", "--channel", "meter.power"},
	}
	while := map[string]string{}
	for name, args := range questions {
		while[name] = mustRun(t, append(args, window...)...)
	}
	refusals := func(t *testing.T) {
		t.Helper()
		mustFail(t, exitWrongUse, []string{"--from", "is not before"}, "summary", "--site", site, "--from", to, "--to", from)
		mustFail(t, exitWrongUse, []string{"--from", "is not before"}, "export", "--site", site, "--from", "now", "--to", "-7d")
		mustFail(t, exitWrongUse, []string{"--to", `"tomorrow" is not a time`}, "summary", "--site", site, "--to", "tomorrow")
		mustFail(t, exitWrongUse, []string{"--machine", `"comp2"`, "comp1"}, "summary", "--site", site, "--machine", "comp2")
		mustFail(t, exitWrongUse, []string{"--channel", `"meter.powr"`}, "export", "--site", site, "--channel", "meter.powr")
		for _, age := range [][]string{{"--from", "-7d"}, {"--from=-7d"}} {
			if out := mustRun(t, append([]string{"export", "--site", site, "--channel", "meter.power"}, age...)...); strings.Count(out, "\n") < 5 {
				t.Errorf("export %v: %q", age, out)
			}
		}
	}
	t.Run("refusals of a running agent", refusals)
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d", code)
	}
	t.Run("refusals of a stopped store", refusals)
	for name, args := range questions {
		after := mustRun(t, append(args, window...)...)
		if after != while[name] {
			t.Errorf("%s: while running\n%s\nwhen stopped\n%s", name, while[name], after)
		}
		if strings.Count(after, "\n") < 5 {
			t.Errorf("%s: nothing to compare: %q", name, after)
		}
	}
}

// TestReachedFromElsewhere is about an agent that listens beyond this computer:
// local commands find it, a browser elsewhere may call it by the computer's
// name, and the person is told that there is no sign-in. Nothing listens here.
func TestReachedFromElsewhere(t *testing.T) {
	host, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		listening net.Addr
		reached   string
		names     []string
	}{
		{&net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8477}, "127.0.0.1:8477", nil},
		{&net.TCPAddr{IP: net.IPv6loopback, Port: 8477}, "[::1]:8477", nil},
		{&net.TCPAddr{IP: net.IPv6unspecified, Port: 8477}, "127.0.0.1:8477", []string{host}},
		{&net.TCPAddr{IP: net.IPv4zero, Port: 8477}, "127.0.0.1:8477", []string{host}},
		{&net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 8477}, "192.0.2.7:8477", []string{host}},
	} {
		if got := reachedAt(tt.listening); got != tt.reached {
			t.Errorf("what listens at %v is reached at %s, not at %s", tt.listening, got, tt.reached)
		}
		if got := ownNames(tt.listening); !slices.Equal(got, tt.names) {
			t.Errorf("what listens at %v has the names %q, not %q", tt.listening, got, tt.names)
		}
	}

	dir := t.TempDir()
	site := writeSite(t, dir, netLine("127.0.0.1:1"))
	mustFail(t, exitWrongUse, []string{"--listen", `"nowhere" is not host and port`, `"127.0.0.1:8477"`}, "run", "--site", site, "--listen", "nowhere")
	mustFail(t, exitWrongUse, []string{"--listen", "65535"}, "run", "--site", site, "--listen", "127.0.0.1:70000")
}
