package agent

import (
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// instanceFile is what a running agent leaves in its data directory, so that
// commands ask it instead of the files it holds.
const instanceFile = "agent.json"

// Instance says how a running agent is reached.
type Instance struct {
	Address string `json:"address"` // host:port
	PID     int    `json:"pid"`
	Secret  string `json:"secret"` // sent by local commands as a bearer token
}

// newSecret makes what local commands send as a bearer token.
func newSecret() string {
	secret := make([]byte, 16)
	rand.Read(secret) // never fails: see its documentation
	return hex.EncodeToString(secret)
}

// writeInstance leaves agent.json in dir, readable by the owner only, replaced
// in one step. It returns what takes it away again.
func writeInstance(dir, address, secret string) (remove func(), err error) {
	text, err := json.Marshal(Instance{Address: address, PID: os.Getpid(), Secret: secret})
	if err != nil {
		return nil, fmt.Errorf("write %s: %w", instanceFile, err)
	}
	path := filepath.Join(dir, instanceFile)
	if err := os.WriteFile(path+".new", text, 0o600); err != nil {
		return nil, fmt.Errorf("write %s: %w", path, err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		return nil, fmt.Errorf("write %s: %w", path, err)
	}
	return func() { os.Remove(path) }, nil
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
