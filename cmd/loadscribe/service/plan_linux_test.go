package service

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/creack/pty"

	"loadscribe/agent/sitefile"
)

// TestNewPlan reads a plan off an example site, through a link to its folder and with a
// serial port that is there.
func TestNewPlan(t *testing.T) {
	real := t.TempDir()
	real, err := filepath.EvalSymlinks(real)
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(real, link); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(filepath.Join(real, "maps"), os.DirFS("../../../configs/maps")); err != nil {
		t.Fatal(err)
	}
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	const site = `[site]
name = "Harrow Lane Joinery"
[agent]
log = "data/log/loadscribe.log"
backup = { dir = "../backups", every = "24h" }
[[line]]
name = "bus"
kind = "modbus-rtu"
port = "%"
[[device]]
name = "controller"
line = "bus"
unit = 1
map = "maps/screw-controller.toml"
every = "1s"
`
	text := strings.Replace(site, "%", slave.Name(), 1)
	if err := os.WriteFile(filepath.Join(real, "site.toml"), []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	loaded, err := sitefile.Load(filepath.Join(link, "site.toml"), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := NewPlan(loaded, "air-1", "/usr/local/bin/loadscribe")
	if err != nil {
		t.Fatal(err)
	}
	if p.Site != filepath.Join(real, "site.toml") || p.Data != filepath.Join(real, "data") || p.Listen != sitefile.DefaultListen || !p.Serial {
		t.Errorf("%+v", p)
	}
	if want := []string{real, filepath.Join(real, "maps")}; !slices.Equal(p.Folders, want) {
		t.Errorf("folders %q, want %q", p.Folders, want)
	}
	if len(p.Writes) != 1 || filepath.Base(p.Writes[0]) != "backups" { // the log is in the data directory
		t.Errorf("writes %q", p.Writes)
	}
	// /proc/devices calls pseudo-terminals so; see the kernel's devices.txt.
	if want := []string{"ttyACM", "ttyS", "ttyUSB", "pts"}; !slices.Equal(p.Devices, want) {
		t.Errorf("devices %q, want %q", p.Devices, want)
	}
	if len(p.Inside) > 0 {
		t.Errorf("in the data: %q", p.Inside)
	}
	loaded.Agent.DataDir = filepath.Join(real, "maps")
	if p, err := NewPlan(loaded, "air-1", ""); err != nil || len(p.Inside) != 1 || filepath.Dir(p.Inside[0]) != loaded.Agent.DataDir {
		t.Errorf("a map in the data: %+v, %v", p, err)
	}
	if _, err := NewPlan(loaded, "a/b", ""); err == nil {
		t.Error("a path for a name is taken")
	}
}
