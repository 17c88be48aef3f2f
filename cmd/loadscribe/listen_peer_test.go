package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"loadscribe/simulator/serve"
)

// tap is a serial line between a master and a server, both foreign, with a
// third end at which the agent listens. What the agent sends is counted and
// goes nowhere.
type tap struct {
	master, server, agent *serve.Pty
	sent                  atomic.Int64
}

func openTap(t *testing.T) *tap {
	t.Helper()
	var ends [3]*serve.Pty
	for i := range ends {
		p, err := serve.OpenPty()
		if err != nil {
			t.Skipf("no pseudo-terminals here: %v", err)
		}
		ends[i] = p
	}
	w := &tap{master: ends[0], server: ends[1], agent: ends[2]}
	var wait sync.WaitGroup
	carry := func(from, to io.ReadWriter) {
		chunk := make([]byte, 512)
		for {
			n, err := from.Read(chunk)
			if err != nil {
				return
			}
			// The agent's end first: an answer cannot overtake its request there.
			if _, err := w.agent.Write(chunk[:n]); err != nil {
				return
			}
			if _, err := to.Write(chunk[:n]); err != nil {
				return
			}
		}
	}
	wait.Go(func() { carry(w.master, w.server) })
	wait.Go(func() { carry(w.server, w.master) })
	wait.Go(func() {
		chunk := make([]byte, 512)
		for {
			n, err := w.agent.Read(chunk)
			w.sent.Add(int64(n))
			if err != nil {
				return
			}
		}
	})
	t.Cleanup(func() {
		for _, end := range ends {
			end.Close()
		}
		wait.Wait()
	})
	return w
}

// blocksOf is what the foreign master reads: a few registers each, so that one
// device's values come in several answers.
func blocksOf(unit int) [][]any {
	return [][]any{
		{unit, "input", 0, 3}, {unit, "input", 4, 8},
		{unit, "holding", 0, 16}, {unit, "holding", 20, 12}, {unit, "holding", 40, 1}, {unit, "holding", 42, 4}, {unit, "holding", 50, 1},
		{unit, "coil", 3, 1}, {unit, "discrete", 9, 1},
	}
}

// fill gives the layout a value at every address that blocksOf reads.
func fill(cases []typeCase) []typeCase {
	held := map[string]bool{}
	for _, c := range cases {
		for i := range max(len(c.words), 1) {
			held[fmt.Sprint(c.table, c.address+i)] = true
		}
	}
	for _, b := range blocksOf(0) {
		for a := b[2].(int); a < b[2].(int)+b[3].(int); a++ {
			if table := b[1].(string); !held[fmt.Sprint(table, a)] {
				cases = append(cases, typeCase{table: table, address: a, words: []uint16{0}})
			}
		}
	}
	return cases
}

// startMaster lets pymodbus read from pymodbus over the tap.
func startMaster(t *testing.T, w *tap, dir string, cases []typeCase) {
	t.Helper()
	python := pymodbusPython(t)
	background(t, "ready", python, peerServer, "rtu", w.server.Path(), "19200", writeLayout(t, dir, "7", fill(cases)))
	reads, err := json.Marshal(blocksOf(7))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "reads.json")
	writeFile(t, path, string(reads))
	background(t, "ready", python, "../../testdata/peers/modbus_client.py", w.master.Path(), "19200", "0.1", path)
}

// TestPassiveListening: on a line that a foreign master (pymodbus) polls, the
// agent has the values of every data type and sends no byte.
func TestPassiveListening(t *testing.T) {
	pymodbusPython(t)
	w, dir, cases := openTap(t), t.TempDir(), typeCases()
	startMaster(t, w, dir, cases)
	writeTypesMap(t, dir, cases)
	oneDeviceSite(t, dir, fmt.Sprintf("kind = \"modbus-rtu\"\nport = %q\nserial = \"19200 8N2\"\nlisten = true", w.agent.Path()), 7, "500ms")
	pollPeer(t, dir, cases)
	if n := w.sent.Load(); n != 0 {
		t.Errorf("the agent sent %d bytes on a line that it listens to", n)
	}
}

// TestForeignMasterIsNotDisturbed: a polled line on which a foreign master
// (pymodbus) is met is not polled; the state says what was seen and what to do.
func TestForeignMasterIsNotDisturbed(t *testing.T) {
	pymodbusPython(t)
	w, dir, cases := openTap(t), t.TempDir(), typeCases()
	startMaster(t, w, dir, cases)
	writeTypesMap(t, dir, cases)
	oneDeviceSite(t, dir, fmt.Sprintf("kind = \"modbus-rtu\"\nport = %q\nserial = \"19200 8N2\"\nlisten_first = \"1s\"", w.agent.Path()), 7, "200ms")
	site := filepath.Join(dir, "site.toml")
	u := start(t, "run", "--site", site)
	var exported string
	eventually(t, "scans with the reason line busy", 20*time.Second, func() bool {
		var out, errs bytes.Buffer
		if execute(t.Context(), []string{"export", "--site", site, "--from", "-1h"}, &out, &errs) != exitFine {
			return false
		}
		exported = out.String()
		return strings.Count(exported, ",line busy") >= 3*len(cases)
	})
	if strings.Contains(exported, ",good") {
		t.Errorf("values from a line that must not be polled:\n%.500s", exported)
	}
	if code := u.stop(); code != exitFine {
		t.Errorf("run ended with %d", code)
	}
	for _, want := range []string{"unit 7 is asked for ", "by another master", "set listen = true"} {
		if !strings.Contains(u.stderr.String(), want) {
			t.Errorf("the log does not say %q:\n%s", want, u.stderr)
		}
	}
	if n := w.sent.Load(); n != 0 {
		t.Errorf("the agent sent %d bytes on a line with a master", n)
	}
}
