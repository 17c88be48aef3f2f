package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"
)

const (
	startBudget = 20 * time.Second // until the agent says where its page is
	stopBudget  = 15 * time.Second // then it is killed
	// clockTicks is the unit of CPU times in /proc, ticks a second: USER_HZ,
	// 100 on all systems Go knows (from memory).
	clockTicks = 100
)

// buildAgent builds the binary as make build does.
func buildAgent(ctx context.Context, dir string) (string, error) {
	binary := filepath.Join(dir, "loadscribe")
	cmd := exec.CommandContext(ctx, "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", binary, "loadscribe/cmd/loadscribe")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build the agent (run the bench inside the repository): %w\n%s", err, out)
	}
	return binary, nil
}

// agentProcess is a running loadscribe.
type agentProcess struct {
	cmd    *exec.Cmd
	url    string
	said   lockedBuffer // its stderr
	read   chan struct{}
	cancel context.CancelFunc
}

// startAgent starts the binary on a site and waits until it says where its
// page is. It is killed if ctx ends.
func startAgent(ctx context.Context, binary, site string) (*agentProcess, error) {
	ctx, cancel := context.WithCancel(ctx)
	a := &agentProcess{cmd: exec.CommandContext(ctx, binary, "run", "--site", site, "--listen", "127.0.0.1:0"),
		read: make(chan struct{}), cancel: cancel}
	a.cmd.Stderr = &a.said
	stdout, err := a.cmd.StdoutPipe()
	if err == nil {
		err = a.cmd.Start()
	}
	if err != nil {
		cancel()
		return nil, fmt.Errorf("start the agent: %w", err)
	}
	urls := make(chan string, 1)
	go func() {
		defer close(a.read)
		lines := bufio.NewScanner(stdout)
		for lines.Scan() {
			if _, url, ok := strings.Cut(lines.Text(), " at http://"); ok && len(urls) == 0 {
				urls <- "http://" + url
			}
		}
		io.Copy(io.Discard, stdout)
	}()
	timer := time.NewTimer(startBudget)
	defer timer.Stop()
	select {
	case a.url = <-urls:
		return a, nil
	case <-a.read:
		err = errors.New("the agent ended at once")
	case <-timer.C:
		err = fmt.Errorf("the agent did not say within %v where its page is", startBudget)
	case <-ctx.Done():
		err = ctx.Err()
	}
	cancel()
	<-a.read
	return nil, a.explain(errors.Join(err, a.cmd.Wait()))
}

func (a *agentProcess) pid() int { return a.cmd.Process.Pid }

// stop ends the agent in order, or by force where that takes too long.
func (a *agentProcess) stop() error {
	defer a.cancel()
	timer := time.AfterFunc(stopBudget, a.cancel)
	defer timer.Stop()
	if err := a.cmd.Process.Signal(os.Interrupt); err != nil {
		a.cancel()
	}
	<-a.read
	if err := a.cmd.Wait(); err != nil {
		return fmt.Errorf("stop the agent: %w", err)
	}
	return nil
}

// explain adds what the agent said to an error.
func (a *agentProcess) explain(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w; the agent said:\n%s", err, a.said.String())
}

// lockedBuffer is a buffer for a process's output that may be read meanwhile.
type lockedBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer // guarded by mu
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// processCPU is the CPU time that a process has used, user and system.
func processCPU(pid int) (time.Duration, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, fmt.Errorf("the agent's CPU time: %w", err)
	}
	return parseStat(string(text))
}

// parseStat adds utime and stime, fields 14 and 15 of /proc/PID/stat (proc(5),
// from memory).
func parseStat(text string) (time.Duration, error) {
	// The second field, a name in brackets, may hold spaces and brackets.
	rest := strings.Fields(text[strings.LastIndexByte(text, ')')+1:])
	if len(rest) < 13 {
		return 0, fmt.Errorf("the agent's CPU time: %q is not a process's stat", text)
	}
	user, userErr := strconv.ParseInt(rest[11], 10, 64)
	system, systemErr := strconv.ParseInt(rest[12], 10, 64)
	if err := errors.Join(userErr, systemErr); err != nil {
		return 0, fmt.Errorf("the agent's CPU time: %w", err)
	}
	return time.Duration(user+system) * (time.Second / clockTicks), nil
}

// privateMemory is what a process holds in memory alone, in bytes: pages like
// their file, and changed ones.
func privateMemory(pid int) (clean, dirty int64, err error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/smaps_rollup", pid))
	if err != nil {
		return 0, 0, fmt.Errorf("the agent's memory: %w", err)
	}
	return parseSmaps(string(text))
}

// parseSmaps reads Private_Clean and Private_Dirty of /proc/PID/smaps_rollup.
func parseSmaps(text string) (clean, dirty int64, err error) {
	found := 0
	for line := range strings.Lines(text) {
		name, rest, _ := strings.Cut(line, ":")
		var into *int64
		switch name {
		case "Private_Clean":
			into = &clean
		case "Private_Dirty":
			into = &dirty
		default:
			continue
		}
		number, ok := strings.CutSuffix(strings.TrimSpace(rest), " kB")
		kib, err := strconv.ParseInt(strings.TrimSpace(number), 10, 64)
		if !ok || err != nil {
			return 0, 0, fmt.Errorf("the agent's memory: line %q is not understood", line)
		}
		*into = kib * 1024
		found++
	}
	if found != 2 {
		return 0, 0, errors.New("the agent's memory: smaps_rollup lacks Private_Clean or Private_Dirty")
	}
	return clean, dirty, nil
}
