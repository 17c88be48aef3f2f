package main

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/configs"
	"loadscribe/dashboard"
	"loadscribe/simulator/serve"
)

const soakSite = `
[site]
name = "Harrow Lane Joinery"
timezone = "America/Chicago"
shifts = ["Mon-Fri 06:00-18:00"]
[agent]
keep_raw = "5d"
backup = { dir = "copies", every = "1d", keep = 2 }
[[line]]
name = "net"
kind = "modbus-tcp"
address = "192.0.2.7:502"
timeout = "250ms"
[[line]]
name = "bus"
kind = "modbus-rtu"
port = "COM10"
serial = "115200 8E1"
timeout = "250ms"
[[device]]
name = "controller"
line = "net"
unit = 1
map = "maps/screw-controller.toml"
every = "%[1]s"
[[device]]
name = "meter"
line = "bus"
unit = 2
map = "maps/power-meter.toml"
every = "%[1]s"
[[device]]
name = "inputs"
line = "bus"
unit = 3
map = "maps/receiver.toml"
every = "%[1]s"
[[machine]]
name = "comp1"
control = "load/unload"
rated_flow = "185 cfm"
rated_pressure = "125 psi"
rated_power = "37 kW"
motor = { power = "50 hp", poles = 4, volts = "460 V", starts_per_hour = 6 }
channels = { controller = "*", meter = "*" }
[[system]]
name = "main"
machines = ["comp1"]
minimum_pressure = "95 psi"
parts = [{ name = "receiver", kind = "receiver", volume = "240 gal" }]
taps = [{ at = "receiver", pressure = "inputs.pressure" }]
`

const soakMap = `
name = "Receiver gauge"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "pressure"
role = "receiver_pressure"
table = "input"
address = 0
type = "u16"
scale = 0.1
unit = "psi"
`

func TestSoakSpeed(t *testing.T) {
	dir := t.TempDir()
	every := os.Getenv("EVERY")
	if err := os.CopyFS(dir, configs.Maps); err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(dir, "maps", "receiver.toml"), soakMap)
	writeFile(t, filepath.Join(dir, "site.toml"), fmt.Sprintf(soakSite, every))
	began := time.Now()
	synctest.Test(t, func(t *testing.T) {
		site, err := sitefile.Load(filepath.Join(dir, "site.toml"), sitefile.Options{})
		if err != nil {
			t.Fatal(err)
		}
		plant := newSoakPlant()
		ctx, cancel := context.WithCancel(t.Context())
		lines := newSoakLines(ctx, plant, nil)
		clock := &soakClock{origin: time.Now(), began: time.Now(), wrong: new(atomic.Int64)}
		a, err := agent.Open(site, agent.Options{Version: "soak", Clock: clock, Dial: lines.dial, Store: store.Options{SyncEvery: time.Minute}})
		if err != nil {
			t.Fatal(err)
		}
		runCtx, stop := context.WithCancel(t.Context())
		var ended sync.WaitGroup
		var serveF func(context.Context) error
		if os.Getenv("SERVE") != "" {
			server, err := dashboard.New(a, dashboard.Options{Metrics: a, Listen: "127.0.0.1:8477", Secret: a.Secret()})
			if err != nil {
				t.Fatal(err)
			}
			a.OnUpdate(server.Publish)
			ln := make(pipes)
			serveF = func(ctx context.Context) error { return server.Run(ctx, ln) }
		}
		ended.Go(func() {
			if err := a.Run(runCtx, "127.0.0.1:8477", serveF); err != nil {
				t.Error(err)
			}
		})
		time.Sleep(24*time.Hour + 500*time.Millisecond)
		stop()
		ended.Wait()
		cancel()
		lines.serving.Wait()
		acc := &soakAccount{reasons: map[scan.Reason]uint64{}}
		acc.run(t, filepath.Join(dir, "data"), 0, (24*time.Hour + 500*time.Millisecond).Milliseconds())
		t.Logf("%+v", acc)
	})
	t.Logf("a day took %v", time.Since(began))
}

var _ = rand.New
var _ = http.StatusOK
var _ = strings.Cut
var _ = slog.New
var _ net.Conn
var _ serve.Fault

// soakClock is a clock of an agent's run, whose wall time can be wrong.
type soakClock struct {
	origin time.Time // when the soak began
	began  time.Time // when the run did
	wrong  *atomic.Int64
}

// soakWall is the wall time at which the soak begins: a Monday, midnight UTC.
var soakWall = time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)

// Now implements scan.Clock.
func (c *soakClock) Now() (monoMS, wallMS int64) {
	return time.Since(c.began).Milliseconds(), soakWall.UnixMilli() + time.Since(c.origin).Milliseconds() + c.wrong.Load()
}

// Boot implements scan.Booted: the computer was started when the soak began.
func (c *soakClock) Boot() (id string, beganMS int64, ok bool) {
	return "one start", c.began.Sub(c.origin).Milliseconds(), true
}
