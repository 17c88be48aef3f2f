package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestRunLogs runs the program as systemd does, with standard error connected to the
// journal, and a file besides: nothing answers at its line, so that both have something to
// say, the same thing once.
func TestRunLogs(t *testing.T) {
	program := builtBinary(t)
	dir := t.TempDir()
	site := writeSite(t, dir, netLine("127.0.0.1:1")) // tcpmux, which nobody serves
	journal, err := os.Create(filepath.Join(dir, "journal"))
	if err != nil {
		t.Fatal(err)
	}
	defer journal.Close()
	var stat syscall.Stat_t
	if err := syscall.Fstat(int(journal.Fd()), &stat); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "data", "log", "loadscribe.log")
	run := exec.Command(program, "run", "--site", site, "--log", file)
	run.Stderr = journal
	run.Env = append(os.Environ(), fmt.Sprintf("JOURNAL_STREAM=%d:%d", stat.Dev, stat.Ino))
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { run.Process.Kill() })
	agentAt(t, dir)
	eventually(t, "that the line is said to be down", 10*time.Second, func() bool {
		text, _ := os.ReadFile(file)
		return strings.Contains(string(text), "line down")
	})
	if err := run.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := run.Wait(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ path, form, started, down, stopped string }{
		{journal.Name(), `^<[3-7]>msg=`, `<5>msg=recording site="Harrow Lane Joinery"`, `<4>msg="line down" line=net`, `<5>msg="recording has stopped"`},
		{file, `^time=\S+ level=(INFO|NOTICE|WARN|ERROR) msg=`, `level=NOTICE msg=recording site="Harrow Lane Joinery"`, `level=WARN msg="line down" line=net`,
			`level=NOTICE msg="recording has stopped"`},
	} {
		text, err := os.ReadFile(c.path)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			if !regexp.MustCompile(c.form).MatchString(line) {
				t.Errorf("%s: a line that is none of the log: %s", c.path, line)
			}
		}
		for _, want := range []string{c.started, c.down, c.stopped} {
			if n := strings.Count(string(text), want); n != 1 {
				t.Errorf("%s: %q is there %d times in\n%s", c.path, want, n, text)
			}
		}
	}
}

// TestRunLogsNowhere: a log that can never be written is refused with the mend.
func TestRunLogsNowhere(t *testing.T) {
	dir := t.TempDir()
	site := writeSite(t, dir, netLine("127.0.0.1:1"))
	u := start(t, "run", "--site", site, "--log", dir)
	eventually(t, "that it is refused", 5*time.Second, func() bool { return strings.Contains(u.stderr.String(), "--log") })
	if code := u.stop(); code != exitFailed {
		t.Errorf("ended with %d; stderr:\n%s", code, u.stderr)
	}
}
