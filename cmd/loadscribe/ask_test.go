package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

// TestAddressLeftBehind asks while a process holds the data directory that has
// not yet left its address, as in a start that mends the store. The file of an
// agent that was killed, or copied, names a process that has nothing to do with
// it: nobody may be told to stop that one.
func TestAddressLeftBehind(t *testing.T) {
	dir := t.TempDir()
	site, err := loadSite(writeSite(t, dir, netLine("127.0.0.1:1")), sitefile.Options{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := store.Open(site.Agent.DataDir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	stale := os.Getpid() + 1
	left := fmt.Sprintf(`{"address":"127.0.0.1:1","pid":%d,"secret":"x"}`, stale)
	if err := os.WriteFile(filepath.Join(site.Agent.DataDir, "agent.json"), []byte(left), 0o600); err != nil {
		t.Fatal(err)
	}
	_, asked := ask(&surroundings{ctx: t.Context(), stderr: t.Output()}, site)
	_, opened := store.Open(site.Agent.DataDir, store.Options{})
	for name, err := range map[string]error{"a command": asked, "a second agent": explainOpen(opened, site.Agent.DataDir)} {
		if !errors.Is(err, store.ErrLocked) || strings.Contains(err.Error(), fmt.Sprint(stale)) ||
			!strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
			t.Errorf("%s is told: %v", name, err)
		}
	}
	if !strings.Contains(asked.Error(), "try again") {
		t.Errorf("no mend in: %v", asked)
	}
}
