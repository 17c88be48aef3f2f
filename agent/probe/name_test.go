package probe

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

func TestNames(t *testing.T) {
	tests := []struct {
		text  string
		table sitefile.Table
		want  Name
	}{
		{"0=discharge_pressure:u16:0.1:psi", sitefile.Input, Name{sitefile.Input, 0, -1, "discharge_pressure", "u16", false, 0.1, "psi"}},
		{"20.1=loaded", sitefile.Holding, Name{sitefile.Holding, 20, 1, "loaded", "u16", false, 1, "1"}},
		{"holding:8=power:f32-little:1:kW", "", Name{sitefile.Holding, 8, -1, "power", "f32", true, 1, "kW"}},
		{"5=motor_running", sitefile.Coil, Name{sitefile.Coil, 5, -1, "motor_running", "bit", false, 1, "1"}},
		{"10=run_hours:u32::h", sitefile.Input, Name{sitefile.Input, 10, -1, "run_hours", "u32", false, 1, "h"}},
		{"1=flow:u16:0.01:m³/min", sitefile.Input, Name{sitefile.Input, 1, -1, "flow", "u16", false, 0.01, "m³/min"}},
	}
	for _, tt := range tests {
		if got, err := ParseName(tt.text, tt.table); err != nil || got != tt.want {
			t.Errorf("%q is %+v, %v; want %+v", tt.text, got, err, tt.want)
		}
	}
	for _, bad := range []string{"", "0", "0=", "x=a", "70000=a", "0.16=a", "0=a:u17", "0=a:u16:0", "0=a:u16:x", "0=a:u16:NaN", "0.1=a:u32", "0.1=a::0.1", "coil:3=a:u16", "coil:3.1=a", "0=a:bit", "drum:1=a"} {
		if got, err := ParseName(bad, sitefile.Input); err == nil {
			t.Errorf("%q is %+v", bad, got)
		}
	}
	if _, err := ParseName("0=a", ""); err == nil || !strings.Contains(err.Error(), "which table") {
		t.Errorf("a name without its table: %v", err)
	}
}

// TestWriteMap: what is written is what sitefile reads.
func TestWriteMap(t *testing.T) {
	d := &islands{here: map[uint16]uint16{0: 1034, 8: 0x4000, 9: 0xC2ED, 20: 2}}
	r, err := Explore(context.Background(), d, 1, sitefile.Holding, 0, 21, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	s, err := r.Read(context.Background(), d)
	if err != nil {
		t.Fatal(err)
	}
	looks := []Look{{r, r.Rows([]Snapshot{s, s})}}
	var names []Name
	for _, text := range []string{"0=discharge_pressure:u16:0.1:psi", "8=power:f32-little:1:kW", "20.1=loaded", "coil:3=alarm_relay", "input:4=run_hours:u32:0.1:h"} {
		n, err := ParseName(text, sitefile.Holding)
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, n)
	}
	path := filepath.Join(t.TempDir(), "found.toml")
	text := MapText(`A "quoted" title`, names, looks)
	if err := WriteMap(path, text); err != nil {
		t.Fatal(err)
	}
	m, err := sitefile.LoadMap(path)
	if err != nil {
		t.Fatal(err)
	}
	if m.Name != `A "quoted" title` || m.Bridge != 0 || len(m.Channels) != len(names) {
		t.Fatalf("%+v\n%s", m, text)
	}
	for i, n := range names {
		c := m.Channels[i]
		if c.Name != n.Channel || c.Table != n.Table || c.Address != n.Address || c.Type != n.Type || c.Bit != n.Bit ||
			c.WordsLittle != n.Little || c.Scale != n.Scale || c.UnitText != n.Unit {
			t.Errorf("%+v was read as %+v", n, c)
		}
		if known := n.Channel != "alarm_relay"; (c.Role != "") != known || known && string(c.Role) != n.Channel {
			t.Errorf("%s has the role %q", n.Channel, c.Role)
		}
	}
	for _, seen := range []string{"# seen: raw 040A, steady", "# seen: raw 4000 C2ED"} {
		if !strings.Contains(text, seen) {
			t.Errorf("%q is not in the map:\n%s", seen, text)
		}
	}
	if err := WriteMap(path, text); !errors.Is(err, ErrMapExists) {
		t.Errorf("written over: %v", err)
	}
	gone := Name{Table: sitefile.Holding, Address: 5, Bit: -1, Channel: "a", Type: "u16"}
	if err := gone.Within(r); err == nil {
		t.Error("a hole may be named")
	}
}

func TestWriteMapRefusesMistakes(t *testing.T) {
	folder := t.TempDir()
	n, err := ParseName("8=power", sitefile.Input) // a power without a unit of power
	if err != nil {
		t.Fatal(err)
	}
	for name, names := range map[string][]Name{"role and unit": {n}, "a name twice": {{Table: "input", Bit: -1, Channel: "a", Type: "u16", Scale: 1, Unit: "1"}, {Table: "input", Address: 1, Bit: -1, Channel: "a", Type: "u16", Scale: 1, Unit: "1"}}} {
		path := filepath.Join(folder, "bad.toml")
		err := WriteMap(path, MapText("x", names, nil))
		var problems sitefile.Problems
		if !errors.As(err, &problems) || problems[0].File != path {
			t.Errorf("%s: %v", name, err)
		}
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// FuzzName: no text makes a name panic, and a map of what was accepted is
// either loaded or refused with problems.
func FuzzName(f *testing.F) {
	f.Add("0=discharge_pressure:u16:0.1:psi")
	f.Add("holding:20.1=loaded")
	f.Add("8=power:f32-little:1:kW")
	folder := f.TempDir()
	f.Fuzz(func(t *testing.T, text string) {
		n, err := ParseName(text, sitefile.Input)
		if err != nil {
			return
		}
		path := filepath.Join(folder, "fuzzed.toml")
		err = WriteMap(path, MapText(text, []Name{n}, nil))
		var problems sitefile.Problems
		if err != nil && !errors.As(err, &problems) {
			t.Errorf("%q: %v", text, err)
		}
		if err == nil {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}
	})
}
