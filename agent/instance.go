package agent

import (
	"cmp"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
)

// instanceFile is what a running agent leaves in its data directory, so that
// commands ask it instead of the files it holds.
const instanceFile = "agent.json"

// Instance says how a running agent is reached.
type Instance struct {
	Address string `json:"address"` // host:port
	PID     int    `json:"pid"`
	Secret  string `json:"secret"` // sent by local commands as a bearer token
	// Scheme is http or https; Fingerprint is the SHA-256 of the certificate that
	// local commands hold the server to, empty for http.
	Scheme      string `json:"scheme"`
	Fingerprint string `json:"fingerprint,omitempty"`
}

// URL is where the agent's pages are; of http where no scheme was left.
func (in Instance) URL() string { return cmp.Or(in.Scheme, "http") + "://" + in.Address }

// instanceLeft is agent.json as a running agent keeps it.
type instanceLeft struct {
	mu   sync.Mutex // protects what follows
	in   Instance
	dir  string // empty: it is not there
	gone bool   // Run has ended
}

// ServeAs says how the pages are served: "http", or "https" with the SHA-256 of
// the certificate. It is called before Run, and again whenever the certificate
// changes.
func (a *Agent) ServeAs(scheme, fingerprint string) error {
	l := &a.left
	l.mu.Lock()
	defer l.mu.Unlock()
	l.in.Scheme, l.in.Fingerprint = scheme, fingerprint
	if l.dir == "" || l.gone {
		return nil
	}
	return writeInstance(l.dir, l.in)
}

// leaveInstance leaves agent.json in dir and returns what takes it away again.
func (a *Agent) leaveInstance(dir, address string) (remove func(), err error) {
	l := &a.left
	l.mu.Lock()
	defer l.mu.Unlock()
	l.in.Address, l.in.PID, l.in.Secret, l.in.Scheme = address, os.Getpid(), a.secret, cmp.Or(l.in.Scheme, "http")
	if err := writeInstance(dir, l.in); err != nil {
		return nil, err
	}
	l.dir = dir
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.gone = true
		os.Remove(filepath.Join(dir, instanceFile))
	}, nil
}

// newSecret makes what local commands send as a bearer token.
func newSecret() string {
	secret := make([]byte, 16)
	rand.Read(secret) // never fails: see its documentation
	return hex.EncodeToString(secret)
}

// writeInstance writes agent.json, readable by the owner only, replaced in one
// step.
func writeInstance(dir string, in Instance) error {
	text, err := json.Marshal(in)
	if err != nil {
		return fmt.Errorf("write %s: %w", instanceFile, err)
	}
	path := filepath.Join(dir, instanceFile)
	if err := os.WriteFile(path+".new", text, 0o600); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}

// ReadInstance returns what a running agent left in dir; ok is false if there
// is none. A file left by a killed agent reads as if it ran: ask it.
func ReadInstance(dir string) (in Instance, ok bool, err error) {
	text, err := os.ReadFile(filepath.Join(dir, instanceFile))
	if errors.Is(err, fs.ErrNotExist) {
		return Instance{}, false, nil
	}
	if err != nil {
		return Instance{}, false, fmt.Errorf("read %s: %w", instanceFile, err)
	}
	if err := json.Unmarshal(text, &in); err != nil {
		return Instance{}, false, nil // half written by another version: as if there were none
	}
	return in, in.Address != "", nil
}
