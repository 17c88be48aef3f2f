//go:build !windows

package main

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"loadscribe/agent"
	"loadscribe/cmd/loadscribe/stage"
)

// docLasts is a command that goes on until it is stopped.
type docLasts struct {
	begins string
	but    []string // flags with which it ends by itself
	port   string   // the flag that has it listen elsewhere than where others do
	up     string   // what it says when it is up
}

func (l *docLasts) is(text string) bool {
	return strings.HasPrefix(text+" ", l.begins+" ") && !slices.ContainsFunc(l.but, func(f string) bool { return strings.Contains(text, f) })
}

// lasts starts a command that goes on, stops it when it says that it is up, and wants it
// to end well.
func (r *docRun) lasts(line int, text string, l *docLasts) {
	words := firstOf(simpleCommands(text))
	if !slices.Contains(words, l.port) {
		words = append(words, l.port, "127.0.0.1:0")
	}
	var said syncBuffer
	for i, w := range words {
		words[i] = quoted(w)
	}
	cmd := exec.CommandContext(r.t.Context(), "sh", "-c", r.before+"exec "+strings.Join(words, " "))
	cmd.Dir, cmd.Stdout, cmd.Stderr = r.dir, &said, &said
	if err := cmd.Start(); err != nil {
		r.t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	deadline := time.After(docPatience)
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for stopping := false; ; {
		select {
		case err := <-ended:
			if err != nil || !stopping {
				r.wrong(line, "%s\nended by itself, or not well: %v\n%s", text, err, said.String())
			}
			return
		case <-look.C:
			if !stopping && strings.Contains(said.String(), l.up) {
				stopping = true
				if err := cmd.Process.Signal(os.Interrupt); err != nil {
					r.t.Error(err)
				}
			}
		case <-deadline:
			cmd.Process.Kill()
			<-ended
			r.wrong(line, "%s\ndoes not say %q:\n%s", text, l.up, said.String())
			return
		}
	}
}

// docAgent is an agent that runs on the page's site, and the plant that it listens to.
type docAgent struct {
	*child
	plant   plant
	address string
}

// readyFor starts or stops an agent, where a command needs one or must have none.
func (r *docRun) readyFor(words []string) {
	line := strings.Join(words, " ")
	begins := func(s string) bool { return strings.HasPrefix(line+" ", s+" ") }
	switch {
	case slices.ContainsFunc(docNeedRunning, begins):
		r.running()
	case slices.ContainsFunc(docNeedStopped, begins):
		r.stopped()
	}
}

func (r *docRun) running() {
	if r.agent != nil {
		return
	}
	p := servePlant(r.t, "127.0.0.1:0", nil)
	site := filepath.Join(r.dir, stage.SiteFile)
	text, err := os.ReadFile(site)
	if err != nil {
		r.t.Fatal(err)
	}
	address := regexp.MustCompile(`(?m)^address = ".*"$`)
	r.write(stage.SiteFile, address.ReplaceAllString(string(text), `address = "`+p.address+`"`))
	program, err := exec.LookPath("loadscribe")
	if err != nil {
		r.t.Fatal(err)
	}
	r.agent = &docAgent{child: startChild(r.t, program, "run", "--site", site, "--listen", "127.0.0.1:0"), plant: p}
	eventually(r.t, "an agent that has read the plant", 30*time.Second, func() bool {
		in, ok, err := agent.ReadInstance(filepath.Join(r.dir, "data"))
		if err != nil || !ok {
			return false
		}
		r.agent.address = in.Address
		status, _ := tryGet("http://" + in.Address + "/readyz")
		return status == http.StatusOK
	})
}

func (r *docRun) stopped() {
	if r.agent == nil {
		return
	}
	r.agent.signal(r.t, os.Interrupt)
	if code := r.agent.exit(r.t, 20*time.Second); code != exitFine {
		r.t.Errorf("the agent ended with %d:\n%s", code, r.agent.stderr)
	}
	r.agent.plant.stop()
	r.agent = nil
}
