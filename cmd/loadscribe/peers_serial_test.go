package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

// ttyPair makes two pseudo-terminals that are one line (socat).
func ttyPair(t *testing.T, dir string) (theirs, ours string) {
	t.Helper()
	socat := peers.Path(t, "socat")
	theirs, ours = filepath.Join(dir, "theirs"), filepath.Join(dir, "ours")
	background(t, "", socat, "pty,raw,echo=0,link="+theirs, "pty,raw,echo=0,link="+ours)
	eventually(t, "socat's pseudo-terminals", 10*time.Second, func() bool {
		_, errTheirs := os.Stat(theirs)
		_, err := os.Stat(ours)
		return err == nil && errTheirs == nil
	})
	return theirs, ours
}

// oneDeviceSite writes dir/site.toml with one line, given by its keys, and the
// device peer on it.
func oneDeviceSite(t *testing.T, dir, line string, unit int, every string) {
	t.Helper()
	writeFile(t, filepath.Join(dir, "site.toml"), fmt.Sprintf(`
[site]
name = "Peer"
[agent]
listen = "127.0.0.1:0"
[[line]]
name = "bus"
%s
[[device]]
name = "peer"
line = "bus"
unit = %d
map = "types.toml"
every = %q
`, line, unit, every))
}

// TestPymodbusASCII polls an independent Modbus ASCII server (pymodbus).
func TestPymodbusASCII(t *testing.T) {
	python := pymodbusPython(t)
	dir, cases := t.TempDir(), typeCases()
	writeTypesMap(t, dir, cases)
	theirs, ours := ttyPair(t, dir)
	background(t, "ready", python, peerServer, "ascii", theirs, "19200", writeLayout(t, dir, "7", cases))
	// Pseudo-terminals carry eight bits; ASCII is content with them.
	oneDeviceSite(t, dir, fmt.Sprintf("kind = \"modbus-ascii\"\nport = %q\nserial = \"19200 8N2\"\nlisten_first = \"500ms\"", ours), 7, "500ms")
	pollPeer(t, dir, cases)
}

// TestPymodbusRTUOverTCP polls pymodbus with RTU frames on a TCP connection.
func TestPymodbusRTUOverTCP(t *testing.T) {
	python := pymodbusPython(t)
	dir, cases, port := t.TempDir(), typeCases(), peers.FreePort(t)
	writeTypesMap(t, dir, cases)
	background(t, "ready", python, peerServer, "rtu-tcp", fmt.Sprint(port), writeLayout(t, dir, "7", cases))
	oneDeviceSite(t, dir, fmt.Sprintf("kind = \"modbus-rtu-over-tcp\"\naddress = \"127.0.0.1:%d\"", port), 7, "200ms")
	pollPeer(t, dir, cases)
}

// TestSimulatorOverASCIIAndRTUOverTCP runs the agent against our simulator over
// both, with one answer in five damaged or missing: what is recorded as good are the
// settings that the joinery's scenario has, and nothing else.
func TestSimulatorOverASCIIAndRTUOverTCP(t *testing.T) {
	const settingsMap = `name = "settings"
protocol = "modbus"
addressing = "zero-based"
[[channel]]
name = "cut_in"
table = "holding"
address = 30
type = "u16"
scale = 0.1
unit = "psi"
[[channel]]
name = "cut_out"
table = "holding"
address = 31
type = "u16"
scale = 0.1
unit = "psi"
[[channel]]
name = "no_load_stop"
table = "holding"
address = 32
type = "u16"
unit = "s"
`
	faults := []string{"--fault", "flipped=0.08", "--fault", "garbage=0.06", "--fault", "silence=0.06"}
	tests := []struct{ kind, key, extra string }{
		{"modbus-ascii", "port", "serial = \"115200 8N1\"\nlisten_first = \"200ms\"\n"},
		{"modbus-rtu-over-tcp", "address", ""},
	}
	sim := start(t, append([]string{"simulate", "--tcp", "", "--rtu-tcp", "127.0.0.1:0", "--pty", "--ascii", "--baud", "115200", "--warm-up", "1m"}, faults...)...)
	eventually(t, "the simulator", 20*time.Second, func() bool { return strings.Contains(sim.stdout.String(), "Ctrl-C") })
	where := map[string]string{}
	for _, line := range strings.Split(sim.stdout.String(), "\n") {
		if f := strings.Fields(line); len(f) >= 2 {
			where[f[0]] = f[1]
		}
	}
	for _, tt := range tests {
		t.Run(tt.kind, func(t *testing.T) {
			dir := t.TempDir()
			if where[tt.kind] == "" {
				t.Fatalf("the simulator does not serve %s:\n%s", tt.kind, sim.stdout)
			}
			writeFile(t, filepath.Join(dir, "types.toml"), settingsMap)
			oneDeviceSite(t, dir, fmt.Sprintf("kind = %q\n%s = %q\ntimeout = \"100ms\"\n%s", tt.kind, tt.key, where[tt.kind], tt.extra), 1, "50ms")
			u := start(t, "run", "--site", filepath.Join(dir, "site.toml"))
			var rows []string
			eventually(t, "twenty good scans and a timeout", 20*time.Second, func() bool {
				var out, errs bytes.Buffer
				if execute(t.Context(), []string{"export", "--site", filepath.Join(dir, "site.toml"), "--from", "-1h"}, &out, &errs) != exitFine {
					return false
				}
				rows = strings.Split(strings.TrimSpace(out.String()), "\r\n")[1:]
				return strings.Count(out.String(), ",good") >= 60 && strings.Contains(out.String(), ",timeout")
			})
			want := map[string]float64{"cut_in": 95, "cut_out": 120, "no_load_stop": 240}
			for _, row := range rows {
				f := strings.Split(row, ",")
				if f[5] != "good" {
					continue
				}
				if got, err := strconv.ParseFloat(f[3], 64); err != nil || got != want[f[2]] {
					t.Errorf("recorded %q, the scenario has %s = %g", row, f[2], want[f[2]])
				}
			}
			if code := u.stop(); code != exitFine {
				t.Errorf("run ended with %d; stderr:\n%s", code, u.stderr)
			}
		})
	}
}

// TestSimulateRTUOverTCPAddressInUse: the mistake names the option.
func TestSimulateRTUOverTCPAddressInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var out, errs bytes.Buffer
	code := execute(t.Context(), []string{"simulate", "--tcp", "", "--rtu-tcp", l.Addr().String(), "--warm-up", "1m"}, &out, &errs)
	if code != exitFailed || !strings.Contains(errs.String(), "give --rtu-tcp another address") {
		t.Errorf("ended with %d: %s", code, errs.String())
	}
}
