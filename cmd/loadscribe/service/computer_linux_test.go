package service

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// computer is a Linux system below a folder, with a systemctl that follows a script: there is
// no systemd in a test. It knows what the real one was seen to do (systemctl(1)).
type computer struct {
	*Systemd
	root    string
	out     bytes.Buffer
	calls   []string         // of programs
	fails   map[string]error // by the beginning of a call
	enabled bool
	active  string            // ActiveState
	user    bool              // the account is there
	owners  map[string][2]int // that were given, by path below root
	slow    bool              // a start does not end
	busy    bool              // somebody listens on the address
}

const accountID = 990

func newComputer(t *testing.T) *computer {
	t.Helper()
	c := &computer{root: t.TempDir(), active: "inactive", fails: map[string]error{}, owners: map[string][2]int{}}
	c.Systemd = &Systemd{Root: c.root, Out: &c.out, User: 0, Self: filepath.Join(c.root, "home/pat/loadscribe"),
		Run:     c.run,
		Account: func() (account, bool) { return account{accountID, accountID}, c.user },
		Group:   func(name string) (int, bool) { return 20, name == "dialout" },
		Own: func(dir *os.Root, name string, user, group int) error {
			if _, err := dir.Lstat(name); err != nil {
				return err
			}
			rel, err := filepath.Rel(c.root, filepath.Join(dir.Name(), name))
			c.owners["/"+rel] = [2]int{user, group}
			return err
		},
		Listen: func(string) error {
			if c.busy {
				return fmt.Errorf("listen: %w", syscall.EADDRINUSE)
			}
			return nil
		},
	}
	for _, dir := range []string{unitFolder, systemdRunning, polkitFolder, "/srv/loadscribe/maps", "/home/pat", "/usr/local/bin"} {
		if err := os.MkdirAll(c.at(dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	c.put(t, "/srv/loadscribe/site.toml", "site", 0o644)
	c.put(t, "/home/pat/loadscribe", "program 2", 0o755)
	return c
}

func (c *computer) put(t *testing.T, path, text string, mode os.FileMode) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(c.at(path)), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(c.at(path), []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

func (c *computer) text(path string) string {
	text, err := os.ReadFile(c.at(path))
	if err != nil {
		return "none: " + err.Error()
	}
	return string(text)
}

// run is the script.
func (c *computer) run(ctx context.Context, program string, args ...string) (string, error) {
	call := program + " " + strings.Join(args, " ")
	if !strings.HasPrefix(call, "systemctl show") {
		c.calls = append(c.calls, call)
	}
	for begins, err := range c.fails {
		if strings.HasPrefix(call, begins) {
			return "", err
		}
	}
	if program == "systemd-sysusers" {
		c.user = true
		return "", nil
	}
	if program == "journalctl" {
		return "store locked: process 12 records there\n", nil
	}
	switch args[0] {
	case "--version":
		return "systemd 255 (255.4-1)\n+PAM +AUDIT\n", nil
	case "enable":
		c.enabled = true
	case "disable":
		c.enabled = false
		if slices.Contains(args, "--now") {
			c.active = "inactive"
		}
	case "restart", "start":
		if c.slow {
			c.active = "activating"
			<-ctx.Done()
			return "", ctx.Err()
		}
		c.active = "active"
	case "stop":
		c.active = "inactive"
	case "show":
		file := map[bool]string{true: "enabled", false: "disabled"}[c.enabled]
		return "LoadState=loaded\nUnitFileState=" + file + "\nActiveState=" + c.active + "\nSubState=running\nStateChangeTimestamp=@1785000000\nMainPID=77\nNRestarts=2\n" +
			"ExecMainCode=2\nExecMainStatus=6\nExecMainExitTimestamp=@1784990000\nResult=watchdog\nStatusText=records a = b\n", nil
	}
	return "", nil
}

func TestInstall(t *testing.T) {
	c := newComputer(t)
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatalf("%v\n%s", err, &c.out)
	}
	want := *Example()
	want.Systemd = 255
	if got := c.text("/etc/systemd/system/loadscribe.service"); got != want.Unit() {
		t.Errorf("the unit is\n%s", got)
	}
	if c.text(programPlace) != "program 2" || c.text(sysusersFile) != Sysusers || c.text("/etc/polkit-1/rules.d/50-loadscribe.rules") != PolkitRule {
		t.Error("program, account or rule are not what they should be")
	}
	calls := []string{"systemctl --version", "systemd-sysusers " + c.at(sysusersFile), "systemctl daemon-reload", "systemctl enable loadscribe.service", "systemctl restart loadscribe.service"}
	if !slices.Equal(c.calls, calls) {
		t.Errorf("called %q, want %q", c.calls, calls)
	}
	for _, dir := range []string{"/srv/loadscribe/data", "/srv/loadscribe/backups"} {
		info, err := os.Stat(c.at(dir))
		if err != nil || info.Mode().Perm() != 0o700 || c.owners[dir] != [2]int{accountID, accountID} {
			t.Errorf("%s: %v, %v, owner %v", dir, info, err, c.owners[dir])
		}
	}
	if _, given := c.owners["/srv/loadscribe/site.toml"]; given {
		t.Error("a site file that everybody may read was given away")
	}
	state, err := c.Status(t.Context(), "loadscribe")
	if err != nil || !state.Installed || !state.Enabled || !state.Running || state.Site != want.Site || state.Data != want.Data {
		t.Errorf("status: %+v, %v", state, err)
	}
}
