package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// hostileName is a name that is markup with a script, and asks another host.
const hostileName = `<img class=owned src=//evil.example/x onerror=owned()>`

// hostileSite is a site whose every text of a person would do harm on a page.
const hostileSite = `
[site]
name = "%[1]s shop"
altitude = "210 m"
timezone = "America/Chicago"
shifts = ["Mon-Fri 07:00-16:00"]
[report]
prepared_for = "%[1]s owner"
prepared_by = "'\"><script class=owned>owned()</script>"
goals = "javascript:owned() {{owned()}} %[1]s"
scope = "</style></title><iframe class=owned src=//evil.example></iframe>"
[agent]
listen = "127.0.0.1:0"
[tariff]
currency = "USD"
energy = [{ price = 0.118 }]
[[line]]
name = "net %[1]s"
%[2]s
[[device]]
name = "controller"
line = "net %[1]s"
unit = 1
map = "maps/screw-controller.toml"
every = "200ms"
instrument = { serial = "%[1]s" }
[[device]]
name = "meter"
line = "net %[1]s"
unit = 2
map = "maps/power-meter.toml"
every = "200ms"
[[machine]]
name = "m %[1]s"
rated_flow = "185 cfm"
rated_power = "37 kW"
rated_pressure = "125 psi"
channels = { controller = "*", meter = "*" }
service = [{ item = "oil %[1]s", hours = 4000 }]
[[system]]
name = "s %[1]s"
machines = ["m %[1]s"]
minimum_pressure = "90 psi"
parts = [{ name = "r %[1]s", kind = "receiver", volume = "240 gal" }]
taps = [{ at = "r %[1]s", pressure = "controller.receiver_pressure" }]
[[alarm]]
name = "hot %[1]s"
on = "temperature"
machine = "m %[1]s"
role = "discharge_temperature"
above = "1 °C"
after = "0s"
priority = "high"
`

// TestHostilePage records a plant under names that would do harm, fills every text
// through the API with more of them, and opens every page and the report in Chromium:
// see dashboard/web/e2e/hostile.test.mjs.
func TestHostilePage(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	chromium, node, web := browserPeers(t)
	plant := servePlant(t, "127.0.0.1:0", nil)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(plant.address)) // for its maps
	writeFile(t, site, fmt.Sprintf(hostileSite, hostileName, netLine(plant.address)))
	path := filepath.Join(dir, "maps", "screw-controller.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const fault = "air end too hot"
	if !strings.Contains(string(text), fault) {
		t.Fatalf("the map has no fault %q", fault)
	}
	writeFile(t, path, strings.ReplaceAll(strings.ReplaceAll(string(text), fault, hostileName), "Screw compressor controller", hostileName))
	start(t, "run", "--site", site)
	address := agentAt(t, dir)
	durable(t, address)
	time.Sleep(3 * time.Second) // a few readings for the pages
	cmd := exec.CommandContext(t.Context(), node, "e2e/run.mjs", "hostile")
	cmd.Dir = web
	cmd.Env = append(os.Environ(), "BASE_URL=http://"+address, "CHROMIUM="+chromium, "SHOTS_DIR=")
	said := &testLines{t: t}
	cmd.Stdout, cmd.Stderr = said, said
	err = cmd.Run()
	said.rest()
	if err != nil {
		t.Errorf("the page's checks failed: %v", err)
	}
}
