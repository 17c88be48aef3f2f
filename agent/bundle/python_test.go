package bundle

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

const pythonVerifier = "../../docs/verify/verify.py"

// runPython verifies many bundles in one process: starting one costs more than
// a verification. Answers are empty, or what is wrong.
const runPython = `
import importlib.util, io, json, contextlib, sys
spec = importlib.util.spec_from_file_location("verify", sys.argv[1])
v = importlib.util.module_from_spec(spec)
spec.loader.exec_module(v)
out = []
for path, kept in json.load(open(sys.argv[2])):
    try:
        with contextlib.redirect_stdout(io.StringIO()):
            v.verify(path, open(kept, encoding="utf-8", newline="").read() if kept else None)
        out.append("")
    except v.WRONG as e:
        out.append("not verified: %s" % e)
print(json.dumps(out))
`

// TestPythonAgrees: docs/verify/verify.py was written from BUNDLE.md alone, by
// somebody who had not seen this package. It and Verify must come to the same
// answer for each clean bundle and each edited one (issue 7).
func TestPythonAgrees(t *testing.T) {
	python := "python3"
	if _, err := exec.LookPath("/usr/bin/python3"); err == nil { // the system's, as the other peers
		python = "/usr/bin/python3"
	}
	if _, err := exec.LookPath(python); err != nil {
		peers.Missing(t, "python3 is missing: the second verifier was not run")
	}
	lines, err := os.ReadFile(pythonVerifier)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(lines), "\n"); n > 300 {
		t.Errorf("it has %d lines, at most 300 were promised", n)
	}
	dir := t.TempDir()
	put := func(name string, b []byte) string {
		if b == nil {
			return ""
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	var jobs [][2]string
	var want []error
	var about []string
	add := func(what string, b, kept []byte) {
		name := strings.ReplaceAll(what, " ", "-")
		_, err := verified(t, b, kept)
		jobs = append(jobs, [2]string{put(name+".zip", b), put(name+".txt", kept)})
		want, about = append(want, err), append(about, what)
	}
	for n := range long(10, 200) {
		tr := trialOf(t, uint64(5000+n))
		r := rand.New(rand.NewPCG(uint64(n), 9))
		seed := strings.Repeat("i", n)
		add("clean "+seed, tr.file, tr.o.Kept)
		add("clean, nothing kept "+seed, tr.file, nil)
		add("newer kept "+seed, tr.file, tr.log.checkpointAt(tr.log.Size()))
		for i := range 8 {
			b := append([]byte(nil), tr.file...)
			b[r.IntN(len(b))] ^= 1 << r.IntN(8)
			add("flip "+seed+strings.Repeat("x", i), b, tr.o.Kept)
			parts := clonedParts(tr.parts)
			p := &parts[r.IntN(len(parts))]
			switch {
			case i%4 == 0 || len(p.content) == 0:
				k := r.IntN(len(parts))
				parts = append(parts[:k], parts[k+1:]...)
			case i%4 == 1:
				p.content = p.content[:r.IntN(len(p.content))]
			default:
				p.content[r.IntN(len(p.content))] ^= 1 << r.IntN(8)
			}
			add("part "+seed+strings.Repeat("x", i), zipOf(t, parts), tr.o.Kept)
		}
	}
	list, err := json.Marshal(jobs)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, python, "-c", runPython, pythonVerifier, put("jobs.json", list))
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	if err := json.Unmarshal(out, &got); err != nil || len(got) != len(jobs) {
		t.Fatalf("%d answers to %d bundles: %v", len(got), len(jobs), err)
	}
	clean := 0
	for i := range jobs {
		if (got[i] == "") != (want[i] == nil) {
			t.Errorf("%s: Python says %q, Verify %v", about[i], got[i], want[i])
		}
		if want[i] == nil {
			clean++
		}
	}
	t.Logf("%d bundles, %d of them pass, both agree on all", len(jobs), clean)
	if clean == 0 || clean == len(jobs) {
		t.Error("a comparison in which all pass or none says little")
	}
}
