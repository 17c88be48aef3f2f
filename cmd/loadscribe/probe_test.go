package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/sitefile"
	"loadscribe/simulator"
	"loadscribe/simulator/serve"
	"loadscribe/testdata/peers"
)

// stillPlant serves the joinery at one moment, so that two readers must get the
// same: Modbus TCP on a loopback port and, where there are any, RTU on a
// pseudo-terminal.
func stillPlant(t *testing.T) (address, port string) {
	t.Helper()
	scenario, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	begin := time.Date(2026, 3, 3, 15, 0, 0, 0, time.UTC) // a working morning
	world, err := simulator.New(scenario, begin)
	if err != nil {
		t.Fatal(err)
	}
	world.Advance(begin.Add(5 * time.Minute))
	driver := serve.NewDriver(world)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := serve.ServeTCP(ctx, listener, driver, nil); err != nil {
			t.Errorf("the simulated plant: %v", err)
		}
	})
	if runtime.GOOS == "linux" || runtime.GOOS == "darwin" {
		pty, err := serve.OpenPty()
		if err != nil {
			t.Fatal(err)
		}
		port = pty.Path()
		ended.Go(func() {
			if err := serve.ServeRTU(ctx, pty, 0, driver, nil); err != nil {
				t.Errorf("the simulated line: %v", err)
			}
		})
	}
	t.Cleanup(func() { cancel(); ended.Wait() })
	return listener.Addr().String(), port
}

// TestProbeWritesAMapThatRuns: from a port and a guess at its speed, probe finds the
// controller, and with the map it writes `run` gives what the example map gives
// over the other line.
func TestProbeWritesAMapThatRuns(t *testing.T) {
	address, port := stillPlant(t)
	if port == "" {
		t.Skip("no pseudo-terminals on " + runtime.GOOS)
	}
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(address))
	found := filepath.Join(dir, "found.toml")
	args := []string{"probe", "--port", port, "--listen", "1s", "--table", "input", "--table", "holding", "--count", "35", "--timeout", "100ms", "--baud", "57600",
		"--watch", "600ms", "--write-map", found, "--json"}
	named := []string{"input:0=discharge_pressure:u16:0.1:psi", "input:3=discharge_temperature:i16:0.1:°F",
		"input:10=run_hours:u32:0.1:h", "input:14=start_count:u32-little", "input:16=speed:u16:1:rpm",
		"holding:20.0=motor_running", "holding:20.1=loaded", "holding:30=cut_in_setting:u16:0.1:psi"}
	for _, name := range named {
		args = append(args, "--name", name)
	}
	var report probeReport
	if err := json.Unmarshal([]byte(mustRun(t, args...)), &report); err != nil {
		t.Fatal(err)
	}
	if d := report.Device; d == nil || d.Unit != 1 || report.Heard == nil || report.Heard.Bytes != 0 {
		t.Fatalf("found %+v after hearing %+v", d, report.Heard)
	}
	if h := report.Health; h == nil || !h.Healthy || h.Answers != 20 || h.TimeoutMS < 100 {
		t.Errorf("health %+v", h)
	}
	if holes := report.Tables[1].Holes; len(holes) != 3 || holes[0].From != 0 || holes[0].To != 19 {
		t.Errorf("holes of the holding registers: %+v", holes)
	}
	if m, err := sitefile.LoadMap(found); err != nil || len(m.Channels) != len(named) {
		t.Fatalf("the map: %v", err)
	}
	addFound(t, site, report.Site)
	mustRun(t, "check", "--site", site)
	agreeing(t, site, dir, named)
}

// addFound puts probe's part for the site file under the site, under other
// names, since the site has a controller already.
func addFound(t *testing.T, site, part string) {
	t.Helper()
	part = strings.NewReplacer(`name = "controller"`, `name = "found"`).Replace(part)
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, string(text)+"\n"+part)
}

// agreeing runs a site and holds the named channels of the device "found" to
// those of "controller".
func agreeing(t *testing.T, site, dir string, named []string) {
	t.Helper()
	u := start(t, "run", "--site", site)
	agent := agentAt(t, dir)
	for _, name := range named {
		_, name, _ = strings.Cut(name, "=")
		name, _, _ = strings.Cut(name, ":")
		var want, got *float64
		eventually(t, "values of "+name, 10*time.Second, func() bool {
			state := stateAt(t, agent)
			want, got = state.Channels["controller."+name].Value, state.Channels["found."+name].Value
			return want != nil && got != nil
		})
		if *want != *got {
			t.Errorf("%s is %v with the map that was written, %v with the example map", name, *got, *want)
		}
	}
	if code := u.stop(); code != exitFine {
		t.Errorf("run ended with %d: %s", code, u.stderr)
	}
}

// TestProbePrompt: what a person types is named, mistakes are answered and
// asked for again.
func TestProbePrompt(t *testing.T) {
	address, _ := stillPlant(t)
	path := filepath.Join(t.TempDir(), "typed.toml")
	typed := strings.Join([]string{
		"name 0 discharge_pressure u16 0.1 psi",
		"name 90 nothing",      // not looked at: taken
		"name 7 fault_code u0", // no such type
		"name 17 hole",         // refused by the device
		"20.1 loaded",
		"", "never reached",
	}, "\n")
	var out bytes.Buffer
	c := &probeCmd{Address: address, Listen: time.Second, Timeout: 200 * time.Millisecond, Table: []string{"input"}, Count: 20,
		Watch: time.Millisecond, WriteMap: path, Title: "Typed", keys: strings.NewReader(typed)}
	if err := c.Run(&surroundings{ctx: t.Context(), stdout: &out, stderr: io.Discard}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`type "u0" is none of`, "hole: input 17 cannot be read (exception 02", `kind = "modbus-tcp"`} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not said:\n%s", want, &out)
		}
	}
	m, err := sitefile.LoadMap(path)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, ch := range m.Channels {
		got = append(got, fmt.Sprintf("%s %d.%d", ch.Name, ch.Address, ch.Bit))
	}
	if text := strings.Join(got, ", "); text != "discharge_pressure 0.-1, nothing 90.-1, loaded 20.1" {
		t.Errorf("the map has %s", text)
	}
}

// TestProbeLeavesAMastersLineAlone: with another master's frames on the line,
// nothing is sent.
func TestProbeLeavesAMastersLineAlone(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	poll := frame.AppendRTU(nil, 5, frame.ReadRequest{Function: 3, Address: 100, Quantity: 2}.AppendPDU(nil))
	received := make(chan []byte, 1)
	go func() {
		conn, err := listener.Accept()
		if err != nil {
			received <- nil
			return
		}
		var ended sync.WaitGroup
		ended.Go(func() {
			for {
				if _, err := conn.Write(poll); err != nil {
					return
				}
				time.Sleep(300 * time.Millisecond)
			}
		})
		got, err := io.ReadAll(conn)
		if err != nil && !errors.Is(err, net.ErrClosed) {
			t.Logf("read: %v", err)
		}
		conn.Close()
		ended.Wait()
		received <- got
	}()
	mustFail(t, exitFailed, []string{"nobody was asked", "another master", "unit 5 is asked for holding registers 100-101", "listen = true"},
		"probe", "--address", listener.Addr().String(), "--rtu-over-tcp", "--listen", "1s")
	if got := <-received; len(got) != 0 {
		t.Errorf("% X was sent on another master's line", got)
	}
	listener.Close()
}

func TestProbeNobody(t *testing.T) {
	port := peers.FreePort(t)
	mustFail(t, exitFailed, []string{"check the address"}, "probe", "--address", fmt.Sprintf("127.0.0.1:%d", port))
}

func TestProbeListsPorts(t *testing.T) {
	var report probeReport
	if err := json.Unmarshal([]byte(mustRun(t, "probe", "--json")), &report); err != nil {
		t.Fatal(err)
	}
	for _, p := range report.Ports { // how many there are depends on the computer
		if p.Name == "" {
			t.Errorf("a port without a name: %+v", report.Ports)
		}
	}
}

func TestProbeMisuse(t *testing.T) {
	for _, tt := range []struct {
		says string
		args []string
	}{
		{"not both", []string{"--port", "COM3", "--address", "127.0.0.1:502"}},
		{"19200 8E1", []string{"--port", "COM3", "--serial", "19200"}},
		{"at least 1s", []string{"--port", "COM3", "--listen", "10ms"}},
		{"coil, discrete, input or holding", []string{"--port", "COM3", "--table", "inputs"}},
		{"say which table", []string{"--port", "COM3", "--table", "input", "--table", "holding", "--name", "0=a", "--write-map", "m.toml"}},
		{"--write-map FILE", []string{"--port", "COM3", "--table", "input", "--name", "0=a"}},
		{"give --table", []string{"--port", "COM3", "--write-map", "m.toml"}},
		{"unit ids", []string{"--port", "COM3", "--unit", "300"}},
		{"--ascii is for serial ports", []string{"--address", "127.0.0.1:502", "--ascii"}},
	} {
		mustFail(t, exitWrongUse, []string{tt.says}, append([]string{"probe"}, tt.args...)...)
	}
}
