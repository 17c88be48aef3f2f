package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"loadscribe/cmd/loadscribe/service"
	"loadscribe/configs"
)

// manager is a service manager with one answer.
type manager struct {
	service.System
	state service.State
}

func (m manager) Status(context.Context, string) (service.State, error) { return m.state, nil }

// TestServiceStatus: what a person reads of a service, with the page's address as the
// running agent left it.
func TestServiceStatus(t *testing.T) {
	data := t.TempDir()
	agentFile := `{"address":"127.0.0.1:8478","pid":77,"secret":"hidden","scheme":"https"}`
	if err := os.WriteFile(filepath.Join(data, "agent.json"), []byte(agentFile), 0o600); err != nil {
		t.Fatal(err)
	}
	since := time.Date(2026, 7, 25, 14, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name     string
		state    service.State
		has, not []string
	}{
		{"running", service.State{Installed: true, Enabled: true, Running: true, State: service.Running, Since: &since, Restarts: 2, LastExit: "it ended with code 1",
			Site: "/srv/loadscribe/site.toml", Data: data, Log: "journalctl -u loadscribe", Says: "records a"},
			[]string{"is running since " + since.Local().Format(time.RFC3339), "https://127.0.0.1:8478", "2 times by itself", "code 1", "/srv/loadscribe/site.toml", "journalctl"}, []string{"hidden"}},
		{"failed", service.State{Installed: true, State: service.Restarting, LastExit: "it ended with code 1", Data: data},
			[]string{"is restarting.", "no: loadscribe service install mends that"}, []string{"8478"}},
		{"none", service.State{State: service.NotInstalled}, []string{"is not installed.", "service install --site"}, []string{"page"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.state.Name = "loadscribe"
			for _, asJSON := range []bool{false, true} {
				var out bytes.Buffer
				if err := printState(&surroundings{ctx: t.Context(), stdout: &out}, manager{state: c.state}, "loadscribe", asJSON); err != nil {
					t.Fatal(err)
				}
				for _, want := range c.has {
					if !asJSON && !strings.Contains(out.String(), want) {
						t.Errorf("no %q in\n%s", want, &out)
					}
				}
				for _, no := range c.not {
					if !(asJSON && no == "page") && strings.Contains(out.String(), no) {
						t.Errorf("%q in\n%s", no, &out)
					}
				}
				if asJSON && !strings.Contains(out.String(), `"state":"`+c.state.State+`"`) {
					t.Errorf("JSON %s", &out)
				}
			}
		})
	}
}

// A unit is printed to be read wherever the site lies; that it could not work is said.
func TestUnitOfAPassingPlaceIsWarnedOf(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("systemd is Linux's")
	}
	dir, err := os.MkdirTemp("/tmp", "loadscribe-unit")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	site := filepath.Join(dir, "site.toml")
	if err := os.CopyFS(dir, configs.Maps); err != nil {
		t.Fatal(err)
	}
	writeFile(t, site, "[site]\nname = \"Harrow Lane Joinery\"\n[[line]]\nname = \"net\"\nkind = \"modbus-tcp\"\naddress = \"127.0.0.1:1\"\n"+
		"[[device]]\nname = \"controller\"\nline = \"net\"\nunit = 1\nmap = \"maps/screw-controller.toml\"\n")
	var stdout, stderr strings.Builder
	code := execute(t.Context(), []string{"service", "unit", "--site", site}, &stdout, &stderr)
	if code != exitFine || !strings.Contains(stdout.String(), "Type=notify") || !strings.Contains(stderr.String(), "install refuses it") ||
		!strings.Contains(stderr.String(), "lies below /tmp") {
		t.Errorf("exit %d, %s", code, stderr.String())
	}
}
