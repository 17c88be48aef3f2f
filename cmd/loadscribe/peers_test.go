package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

// typeCase is one register layout entry with the value that must come out.
type typeCase struct {
	name, table, kind, extra string
	address                  int
	words                    []uint16
	bit                      bool
	want                     string // as the export prints it
}

// typeCases hold every data type and word order of the map contract. The words
// of the floats are IEEE 754 as printed in common references: 1.5 is 3FC00000,
// -118.625 is C2ED4000 (the worked example of many textbooks; computed anew).
func typeCases() []typeCase {
	return []typeCase{
		{"u16_plain", "input", "u16", "", 0, []uint16{65535}, false, "65535"},
		{"u16_scaled", "input", "u16", "scale = 0.1\nunit = \"psi\"", 1, []uint16{1034}, false, "103.4"},
		{"i16", "input", "i16", "scale = 0.1\nunit = \"°F\"", 2, []uint16{0xFF38}, false, "-20.0"},
		{"u32_big", "input", "u32", `words = "big"`, 4, []uint16{0x0001, 0x0002}, false, "65538"},
		{"u32_little", "input", "u32", `words = "little"`, 6, []uint16{0x0002, 0x0001}, false, "65538"},
		{"i32_big", "input", "i32", `words = "big"`, 8, []uint16{0xFFFF, 0xFFFE}, false, "-2"},
		{"i32_little", "input", "i32", `words = "little"`, 10, []uint16{0xFFFE, 0xFFFF}, false, "-2"},
		{"u64_big", "holding", "u64", `words = "big"`, 0, []uint16{0x0000, 0x0001, 0x0000, 0x0003}, false, "4294967299"},
		{"u64_little", "holding", "u64", `words = "little"`, 4, []uint16{0x0003, 0x0000, 0x0001, 0x0000}, false, "4294967299"},
		{"i64_big", "holding", "i64", `words = "big"`, 8, []uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFFF6}, false, "-10"},
		{"i64_little", "holding", "i64", `words = "little"`, 12, []uint16{0xFFF6, 0xFFFF, 0xFFFF, 0xFFFF}, false, "-10"},
		{"f32_big", "holding", "f32", `words = "big"`, 20, []uint16{0x3FC0, 0x0000}, false, "1.5"},
		{"f32_little", "holding", "f32", `words = "little"`, 22, []uint16{0x4000, 0xC2ED}, false, "-118.625"},
		{"f64_big", "holding", "f64", `words = "big"`, 24, []uint16{0x3FF8, 0, 0, 0}, false, "1.5"},
		{"f64_little", "holding", "f64", `words = "little"`, 28, []uint16{0, 0, 0, 0x3FF8}, false, "1.5"},
		{"bcd16", "holding", "bcd16", "", 40, []uint16{0x1234}, false, "1234"},
		{"bcd32_big", "holding", "bcd32", `words = "big"`, 42, []uint16{0x1234, 0x5678}, false, "12345678"},
		{"bcd32_little", "holding", "bcd32", `words = "little"`, 44, []uint16{0x5678, 0x1234}, false, "12345678"},
		{"bit_of_register", "holding", "u16", "bit = 3", 50, []uint16{0x0008}, false, "1"},
		{"bit_not_set", "holding", "u16", "bit = 2", 50, nil, false, "0"},
		{"coil", "coil", "bit", "", 3, nil, true, "1"},
		{"discrete", "discrete", "bit", "", 9, nil, false, "0"},
	}
}

// layout is what the pymodbus server is told to serve.
func layout(cases []typeCase) map[string]map[string]any {
	tables := map[string]map[string]any{}
	for _, c := range cases {
		if tables[c.table] == nil {
			tables[c.table] = map[string]any{}
		}
		for i, w := range c.words {
			tables[c.table][fmt.Sprint(c.address+i)] = w
		}
		if c.table == "coil" || c.table == "discrete" {
			tables[c.table][fmt.Sprint(c.address)] = c.bit
		}
	}
	return tables
}

func writeTypesMap(t *testing.T, dir string, cases []typeCase) {
	t.Helper()
	var b strings.Builder
	fmt.Fprintln(&b, "name = \"every type\"\nprotocol = \"modbus\"\naddressing = \"zero-based\"\nbridge = 8")
	for _, c := range cases {
		fmt.Fprintf(&b, "[[channel]]\nname = %q\ntable = %q\naddress = %d\ntype = %q\n%s\n", c.name, c.table, c.address, c.kind, c.extra)
	}
	writeFile(t, filepath.Join(dir, "types.toml"), b.String())
}

func writeFile(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// pollPeer records dir/site.toml for a moment and holds the export to the
// values that the peer serves.
func pollPeer(t *testing.T, dir string, cases []typeCase) {
	t.Helper()
	site := filepath.Join(dir, "site.toml")
	u := start(t, "run", "--site", site)
	want := map[string]string{}
	for _, c := range cases {
		want["peer."+c.name] = c.want
	}
	got := map[string]string{}
	eventually(t, "an export with every channel", 20*time.Second, func() bool {
		var out, errs bytes.Buffer
		if execute(t.Context(), []string{"export", "--site", site, "--from", "-1h"}, &out, &errs) != exitFine {
			return false
		}
		got = exported(t, out.String())
		return len(got) == len(want)
	})
	for id, value := range want {
		if got[id] != value {
			t.Errorf("%s: exported %q, the peer serves %q", id, got[id], value)
		}
	}
	if code := u.stop(); code != exitFine {
		t.Errorf("run ended with %d; stderr:\n%s", code, u.stderr)
	}
	// The same answer from the files, now that nothing runs.
	var out, errs bytes.Buffer
	if code := execute(t.Context(), []string{"export", "--site", site, "--from", "-1h"}, &out, &errs); code != exitFine {
		t.Fatalf("export of the stopped store ended with %d: %s", code, errs.String())
	}
	for id, value := range exported(t, out.String()) {
		if want[id] != value {
			t.Errorf("stopped: %s: exported %q, the peer served %q", id, value, want[id])
		}
	}
}

// exported returns the good values of a long export, by channel id; two
// different values of one channel are an error.
func exported(t *testing.T, text string) map[string]string {
	t.Helper()
	all := map[string]string{}
	for i, line := range strings.Split(strings.TrimSpace(text), "\r\n") {
		f := strings.Split(line, ",")
		if len(f) != 6 {
			t.Fatalf("line %d has %d fields: %q", i+1, len(f), line)
		}
		if i == 0 || f[5] != "good" {
			continue
		}
		id := f[1] + "." + f[2]
		if before, ok := all[id]; ok && before != f[3] {
			t.Errorf("%s changed from %s to %s", id, before, f[3])
		}
		all[id] = f[3]
	}
	return all
}

func writeLayout(t *testing.T, dir, unit string, cases []typeCase) string {
	t.Helper()
	text, err := json.Marshal(map[string]any{"units": map[string]any{unit: layout(cases)}})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "layout.json")
	writeFile(t, path, string(text))
	return path
}

const peerServer = "../../testdata/peers/modbus_server.py"

// TestPymodbusTCP polls an independent Modbus TCP server (pymodbus): what it
// was told to serve is what the export says.
func TestPymodbusTCP(t *testing.T) {
	python := pymodbusPython(t)
	dir, cases, port := t.TempDir(), typeCases(), peers.FreePort(t)
	writeTypesMap(t, dir, cases)
	background(t, "ready", python, peerServer, "tcp", fmt.Sprint(port), writeLayout(t, dir, "1", cases))
	writeFile(t, filepath.Join(dir, "site.toml"), fmt.Sprintf(`
[site]
name = "Peer"
[agent]
listen = "127.0.0.1:0"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:%d"
[[device]]
name = "peer"
line = "net"
unit = 1
map = "types.toml"
every = "200ms"
`, port))
	pollPeer(t, dir, cases)
}

// TestPymodbusRTU does the same over a pair of pseudo-terminals (socat).
func TestPymodbusRTU(t *testing.T) {
	python, socat := pymodbusPython(t), peers.Path(t, "socat")
	dir, cases := t.TempDir(), typeCases()
	writeTypesMap(t, dir, cases)
	theirs, ours := filepath.Join(dir, "theirs"), filepath.Join(dir, "ours")
	background(t, "", socat, "pty,raw,echo=0,link="+theirs, "pty,raw,echo=0,link="+ours)
	eventually(t, "socat's pseudo-terminals", 10*time.Second, func() bool {
		_, err := os.Stat(ours)
		return err == nil
	})
	background(t, "ready", python, peerServer, "rtu", theirs, "19200", writeLayout(t, dir, "7", cases))
	writeFile(t, filepath.Join(dir, "site.toml"), fmt.Sprintf(`
[site]
name = "Peer"
[agent]
listen = "127.0.0.1:0"
[[line]]
name = "bus"
kind = "modbus-rtu"
port = %q
serial = "19200 8N2"
[[device]]
name = "peer"
line = "bus"
unit = 7
map = "types.toml"
every = "500ms"
`, ours))
	pollPeer(t, dir, cases)
}

// TestMbpoll reads our simulator with an independent master (mbpoll, libmodbus)
// over TCP and over RTU on a pseudo-terminal.
func TestMbpoll(t *testing.T) {
	mbpoll := peers.Path(t, "mbpoll")
	u := start(t, "simulate", "--tcp", "127.0.0.1:0", "--pty", "--baud", "19200", "--warm-up", "1m")
	var tcp, pty string
	eventually(t, "the simulator's addresses", 20*time.Second, func() bool {
		for _, line := range strings.Split(u.stdout.String(), "\n") {
			f := strings.Fields(line)
			switch {
			case len(f) >= 2 && f[0] == "modbus-tcp":
				tcp = f[1]
			case len(f) >= 2 && f[0] == "modbus-rtu":
				pty = f[1]
			}
		}
		return tcp != "" && pty != "" && strings.Contains(u.stdout.String(), "Ctrl-C")
	})
	_, port, err := net.SplitHostPort(tcp)
	if err != nil {
		t.Fatal(err)
	}
	// The settings registers: cut-in 95.0 psi, cut-out 120.0 psi, no-load stop
	// 240 s, as the joinery's scenario says.
	settings := []string{"[30]: \t950", "[31]: \t1200", "[32]: \t240"}
	for name, how := range map[string][]string{
		"tcp": {"-m", "tcp", "-p", port, "-a", "1", "-t", "4", "-0", "-r", "30", "-c", "3", "-1", "127.0.0.1"},
		"rtu": {"-m", "rtu", "-b", "19200", "-P", "none", "-a", "1", "-t", "4", "-0", "-r", "30", "-c", "3", "-1", pty},
	} {
		out, err := exec.Command(mbpoll, how...).CombinedOutput()
		if err != nil {
			t.Errorf("%s: mbpoll: %v\n%s", name, err, out)
			continue
		}
		for _, want := range settings {
			if !strings.Contains(string(out), want) {
				t.Errorf("%s: mbpoll does not print %q:\n%s", name, want, out)
			}
		}
	}
	// A write is refused (exception 01), and the setting stands.
	out, err := exec.Command(mbpoll, "-m", "tcp", "-p", port, "-a", "1", "-t", "4", "-0", "-r", "30", "127.0.0.1", "800").CombinedOutput()
	if err == nil || !strings.Contains(string(out), "Illegal function") {
		t.Errorf("mbpoll's write was not refused with an illegal function: %v\n%s", err, out)
	}
}

// TestTsharkFindsNoMalformedFrame captures our own Modbus TCP traffic on
// loopback and lets an independent dissector judge it.
func TestTsharkFindsNoMalformedFrame(t *testing.T) {
	tshark := peers.Path(t, "tshark")
	dir, port := t.TempDir(), peers.FreePort(t)
	sim := start(t, "simulate", "--tcp", fmt.Sprintf("127.0.0.1:%d", port), "--warm-up", "1m")
	eventually(t, "the simulator", 20*time.Second, func() bool { return strings.Contains(sim.stdout.String(), "Ctrl-C") })
	capture := filepath.Join(dir, "capture.pcapng")
	seen := background(t, "", tshark, "-q", "-i", "lo", "-f", fmt.Sprintf("tcp port %d", port), "-w", capture, "-a", "duration:6")
	eventually(t, "tshark capturing", 20*time.Second, func() bool { return strings.Contains(seen.String(), "Capturing on") })
	for _, name := range []string{"screw-controller.toml", "power-meter.toml"} {
		text, err := os.ReadFile(filepath.Join("../../configs/maps", name))
		if err != nil {
			t.Fatal(err)
		}
		writeFile(t, filepath.Join(dir, name), string(text))
	}
	site := filepath.Join(dir, "site.toml")
	writeFile(t, site, fmt.Sprintf(`
[site]
name = "Capture"
[agent]
listen = "127.0.0.1:0"
[[line]]
name = "net"
kind = "modbus-tcp"
address = "127.0.0.1:%d"
[[device]]
name = "controller"
line = "net"
unit = 1
map = "screw-controller.toml"
every = "250ms"
[[device]]
name = "meter"
line = "net"
unit = 2
map = "power-meter.toml"
every = "250ms"
`, port))
	u := start(t, "run", "--site", site)
	time.Sleep(7 * time.Second) // the capture ends after six
	u.stop()
	dissect := func(filter string) int {
		out, err := exec.Command(tshark, "-r", capture, "-o", fmt.Sprintf("mbtcp.tcp.port:%d", port), "-Y", filter).Output()
		if err != nil {
			t.Fatalf("tshark -Y %q: %v", filter, err)
		}
		return strings.Count(string(out), "\n")
	}
	if n := dissect("modbus"); n < 40 {
		t.Fatalf("tshark sees %d Modbus frames, too few to judge", n)
	}
	if n := dissect("_ws.malformed || mbtcp.cannot_classify || mbtcp.prot_id != 0 || _ws.expert.severity >= 0x800000 || modbus.exception_code"); n != 0 {
		t.Errorf("tshark finds %d malformed or refused frames", n)
	}
	if n := dissect("modbus.func_code > 4"); n != 0 {
		t.Errorf("%d frames have a function code above 4: the agent must only read", n)
	}
}
