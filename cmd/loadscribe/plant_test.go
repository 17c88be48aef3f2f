package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"loadscribe/agent"
	"loadscribe/configs"
	"loadscribe/simulator"
	"loadscribe/simulator/serve"
)

// plant is the simulated joinery on one loopback port: its controller is unit
// 1, its meter unit 2.
type plant struct {
	address string
	stop    func()
}

// servePlant serves a plant until the test ends or stop is called. address may
// name the port of an earlier one, or one that was tried in vain. faults may be nil.
func servePlant(t *testing.T, address string, faults *serve.Injector) plant {
	t.Helper()
	scenario, err := simulator.LoadScenario("joinery")
	if err != nil {
		t.Fatal(err)
	}
	return servePlantOf(t, scenario, address, faults)
}

// servePlantOf serves the plant of a scenario.
func servePlantOf(t *testing.T, scenario *simulator.Scenario, address string, faults *serve.Injector) plant {
	t.Helper()
	world, err := simulator.New(scenario, time.Now().Add(-time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	return serveWorld(t, world, address, faults)
}

// serveWorld serves a plant that stands already.
func serveWorld(t *testing.T, world *simulator.World, address string, faults *serve.Injector) plant {
	t.Helper()
	listener, err := net.Listen("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	driver := serve.NewDriver(world)
	ctx, cancel := context.WithCancel(context.Background())
	var ended sync.WaitGroup
	ended.Go(func() {
		if err := driver.Follow(ctx); err != nil {
			t.Errorf("the simulated plant: %v", err)
		}
	})
	ended.Go(func() {
		if err := serve.ServeTCP(ctx, listener, driver, faults); err != nil {
			t.Errorf("the simulated plant: %v", err)
		}
	})
	p := plant{address: listener.Addr().String(), stop: func() { cancel(); ended.Wait() }}
	t.Cleanup(p.stop)
	return p
}

// netLine is a Modbus TCP line to an address, with a short timeout.
func netLine(address string) string {
	return fmt.Sprintf("kind = \"modbus-tcp\"\naddress = %q\ntimeout = \"150ms\"\n", address)
}

// writeSite writes a site file with the example maps, whose controller and
// meter are on one line, and returns its path.
func writeSite(t *testing.T, dir, line string) string {
	t.Helper()
	maps, err := fs.Sub(configs.Maps, "maps")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(dir, "maps"), maps); err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(dir, "site.toml")
	writeFile(t, site, `
[site]
name = "Harrow Lane Joinery"
[agent]
listen = "127.0.0.1:0"
[[line]]
name = "net"
`+line+`
[[device]]
name = "controller"
line = "net"
unit = 1
map = "maps/screw-controller.toml"
every = "200ms"
[[device]]
name = "meter"
line = "net"
unit = 2
map = "maps/power-meter.toml"
every = "200ms"
[[machine]]
name = "comp1"
rated_flow = "185 cfm"
channels = { controller = "*", meter = "*" }
`)
	return site
}

// agentAt returns the address of the agent that runs on a site in dir, once it
// answers there.
func agentAt(t *testing.T, dir string) string {
	t.Helper()
	var in agent.Instance
	eventually(t, "an agent that answers", 20*time.Second, func() bool {
		var ok bool
		var err error
		if in, ok, err = agent.ReadInstance(filepath.Join(dir, "data")); err != nil {
			t.Fatal(err)
		}
		if !ok {
			return false
		}
		status, _ := tryGet("http://" + in.Address + "/healthz")
		return status == http.StatusOK
	})
	return in.Address
}

// tryGet returns status and body of an answer, status 0 where there is none. It
// leaves no connection open.
func tryGet(url string) (status int, body string) {
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 20 * time.Second}
	answer, err := client.Get(url)
	if err != nil {
		return 0, err.Error()
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return 0, err.Error()
	}
	return answer.StatusCode, string(text)
}

// stateAt asks an agent for its state.
func stateAt(t *testing.T, address string) agent.State {
	t.Helper()
	status, body := tryGet("http://" + address + "/api/v1/state")
	if status != http.StatusOK {
		t.Fatalf("/api/v1/state answers %d: %s", status, body)
	}
	var st agent.State
	if err := json.Unmarshal([]byte(body), &st); err != nil {
		t.Fatal(err)
	}
	return st
}

// runCommand runs a command to its end and returns its exit code and what it printed.
func runCommand(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = execute(t.Context(), args, &out, &errs)
	return code, out.String(), errs.String()
}

// mustRun runs a command that must end well and returns its stdout.
func mustRun(t *testing.T, args ...string) string {
	t.Helper()
	code, stdout, stderr := runCommand(t, args...)
	if code != exitFine {
		t.Fatalf("%v ended with %d: %s", args, code, stderr)
	}
	return stdout
}

// mustFail runs a command that must end with code, print nothing on stdout and
// say all of says on stderr.
func mustFail(t *testing.T, code int, says []string, args ...string) {
	t.Helper()
	got, stdout, stderr := runCommand(t, args...)
	if got != code {
		t.Errorf("%v ended with %d, not %d: %s", args, got, code, stderr)
	}
	if stdout != "" {
		t.Errorf("%v printed on stdout: %q", args, stdout)
	}
	for _, want := range says {
		if !strings.Contains(stderr, want) {
			t.Errorf("%v does not say %q; stderr:\n%s", args, want, stderr)
		}
	}
}
