package service

import (
	"bytes"
	"context"
	"errors"
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
func (c *computer) run(_ context.Context, program string, args ...string) (string, error) {
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

// TestInstallAgain brings a new program and a new site's settings.
func TestInstallAgain(t *testing.T) {
	c := newComputer(t)
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	c.busy = true // by the service itself
	c.put(t, "/home/pat/loadscribe", "program 3", 0o755)
	c.put(t, "/srv/loadscribe/data/store.db", "record", 0o600)
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatalf("%v\n%s", err, &c.out)
	}
	if c.text(programPlace) != "program 3" || !strings.Contains(c.out.String(), "Updating the service") {
		t.Errorf("not updated:\n%s", &c.out)
	}
	if c.owners["/srv/loadscribe/data/store.db"] != [2]int{accountID, accountID} {
		t.Error("the record is not the service's")
	}
}

// TestInstallTakesBack: whichever step fails, nothing stays that was not there, and a
// service that ran before runs on as it was.
func TestInstallTakesBack(t *testing.T) {
	steps := []string{"systemd-sysusers", "systemctl daemon-reload", "systemctl enable", "systemctl restart loadscribe"}
	for _, fails := range steps {
		t.Run("new, fails at "+fails, func(t *testing.T) {
			c := newComputer(t)
			c.fails[fails] = errors.New("no")
			err := c.Install(t.Context(), Example())
			if err == nil || !strings.Contains(err.Error(), "no") {
				t.Fatalf("error %v", err)
			}
			for _, path := range []string{programPlace, sysusersFile, unitFile("loadscribe"), polkitFile("loadscribe"), "/srv/loadscribe/data", "/srv/loadscribe/backups"} {
				if c.there(path) {
					t.Errorf("%s stays", path)
				}
			}
			if c.enabled || c.active == "active" {
				t.Errorf("enabled %v, %s", c.enabled, c.active)
			}
		})
	}
	for _, fails := range steps[1:] {
		t.Run("update, fails at "+fails, func(t *testing.T) {
			c := newComputer(t)
			if err := c.Install(t.Context(), Example()); err != nil {
				t.Fatal(err)
			}
			unit := c.text(unitFile("loadscribe"))
			c.put(t, "/home/pat/loadscribe", "program 3", 0o755)
			changed := *Example()
			changed.Writes = nil
			c.fails[fails] = errors.New("no")
			if err := c.Install(t.Context(), &changed); err == nil {
				t.Fatal("no error")
			}
			if c.text(programPlace) != "program 2" || c.text(unitFile("loadscribe")) != unit || !c.enabled {
				t.Errorf("not as before: %s, enabled %v\n%s", c.text(programPlace), c.enabled, &c.out)
			}
			if last := c.calls[len(c.calls)-1]; fails != "systemctl daemon-reload" && last != "systemctl restart --no-block loadscribe.service" {
				t.Errorf("the one before is not started again: %q", c.calls)
			}
		})
	}
}

// TestInstallRefuses: what a check finds is told with its mend, and nothing is done.
func TestInstallRefuses(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(t *testing.T, c *computer, p *Plan)
		says   string
	}{
		{"no root", func(_ *testing.T, c *computer, _ *Plan) { c.User = 1000 }, "sudo"},
		{"no systemd", func(t *testing.T, c *computer, _ *Plan) { remove(t, c.at(systemdRunning)) }, "systemd does not run"},
		{"a unit of another's", func(t *testing.T, c *computer, _ *Plan) {
			c.put(t, unitFile("loadscribe"), "[Service]\nExecStart=/bin/true\n", 0o644)
		}, "was not made by"},
		{"a low port", func(_ *testing.T, _ *computer, p *Plan) { p.Listen = "0.0.0.0:443" }, "from 1024 on"},
		{"a taken port", func(_ *testing.T, c *computer, _ *Plan) { c.busy = true }, "another program listens"},
		{"a site in /tmp", func(t *testing.T, c *computer, p *Plan) { p.Site, p.Folders = "/tmp/a/site.toml", []string{"/tmp/a"} }, "emptied when"},
		{"a site loose in a home", func(_ *testing.T, _ *computer, p *Plan) {
			p.Site, p.Folders = "/home/pat/site.toml", []string{"/home/pat"}
		}, "a folder of its own"},
		{"data in the site's folder", func(_ *testing.T, _ *computer, p *Plan) { p.Data = "/srv/loadscribe" }, "holds the site file"},
		{"data among other things", func(t *testing.T, c *computer, _ *Plan) {
			c.put(t, "/srv/loadscribe/data/letter.txt", "Dear", 0o644)
		}, "holds other things"},
		{"a map that is gone", func(_ *testing.T, _ *computer, p *Plan) { p.Reads = append(p.Reads, "/srv/loadscribe/maps/gone.toml") }, "gone.toml cannot be read"},
		{"a closed way", func(t *testing.T, c *computer, _ *Plan) {
			if err := os.Chmod(c.at("/srv"), 0o700); err != nil {
				t.Fatal(err)
			}
		}, "chmod o+x /srv"},
		{"a line break in a path", func(_ *testing.T, _ *computer, p *Plan) { p.Data = "/srv/a\nExecStartPre=+/bin/sh" }, "control character"},
	} {
		t.Run(c.name, func(t *testing.T) {
			on, p := newComputer(t), Example()
			c.change(t, on, p)
			err := on.Install(t.Context(), p)
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want %q in it", err, c.says)
			}
			if len(on.calls) > 0 || on.there(programPlace) {
				t.Errorf("something was done: %q", on.calls)
			}
		})
	}
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.RemoveAll(path); err != nil {
		t.Fatal(err)
	}
}

// TestInstallLetsRead: a site file that is its owner's alone is opened to the group, and
// closed again when the installation fails.
func TestInstallLetsRead(t *testing.T) {
	for _, fails := range []bool{false, true} {
		c := newComputer(t)
		if err := os.Chmod(c.at("/srv/loadscribe/site.toml"), 0o600); err != nil {
			t.Fatal(err)
		}
		want := os.FileMode(0o640)
		if fails {
			c.fails["systemctl restart"], want = errors.New("no"), 0o600
		}
		if err := c.Install(t.Context(), Example()); (err != nil) != fails {
			t.Fatal(err)
		}
		info, err := os.Stat(c.at("/srv/loadscribe/site.toml"))
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("fails %v: %v, %v, want %v", fails, info.Mode(), err, want)
		}
		if group := c.owners["/srv/loadscribe/site.toml"][1]; (group == accountID) == fails {
			t.Errorf("fails %v: its group is %d", fails, group)
		}
	}
}

func TestInstallWithoutPolkit(t *testing.T) {
	c := newComputer(t)
	remove(t, c.at(polkitFolder))
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	if c.there(polkitFolder) || !strings.Contains(c.out.String(), "left out: "+polkitFolder) {
		t.Errorf("not left out and said:\n%s", &c.out)
	}
}

func TestRemove(t *testing.T) {
	c := newComputer(t)
	if err := c.Remove(t.Context(), "loadscribe"); !errors.Is(err, ErrNotInstalled) {
		t.Errorf("what is not there: %v", err)
	}
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	c.put(t, "/srv/loadscribe/data/store.db", "record", 0o600)
	c.calls = nil
	if err := c.Remove(t.Context(), "loadscribe"); err != nil {
		t.Fatal(err)
	}
	if c.there(unitFile("loadscribe")) || c.there(polkitFile("loadscribe")) || c.active == "active" {
		t.Error("the service is still there")
	}
	if c.text("/srv/loadscribe/data/store.db") != "record" || c.text("/srv/loadscribe/site.toml") != "site" {
		t.Error("data or site file are gone")
	}
	for _, want := range []string{"/srv/loadscribe/site.toml", "/srv/loadscribe/data"} {
		if !strings.Contains(c.out.String(), want) {
			t.Errorf("it does not say where %s is:\n%s", want, &c.out)
		}
	}
	if want := []string{"systemctl disable --now loadscribe.service", "systemctl daemon-reload"}; !slices.Equal(c.calls, want) {
		t.Errorf("called %q, want %q", c.calls, want)
	}
}

// TestStartStop: of our own services alone; a start gives back what root left in the record.
func TestStartStop(t *testing.T) {
	c := newComputer(t)
	c.put(t, unitFile("sshd"), "[Service]\nExecStart=/bin/true\n", 0o644)
	for _, do := range []func(context.Context, string) error{c.Start, c.Stop, c.Remove} {
		if err := do(t.Context(), "sshd"); err == nil || !strings.Contains(err.Error(), "was not made by") {
			t.Errorf("another program's service: %v", err)
		}
		if err := do(t.Context(), "../sshd"); err == nil || !strings.Contains(err.Error(), "no name") {
			t.Errorf("a path for a name: %v", err)
		}
	}
	if len(c.calls) > 0 {
		t.Fatalf("something was done: %q", c.calls)
	}
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	c.put(t, "/srv/loadscribe/data/store.db", "record", 0o600) // this test's user, not the service's
	c.calls, c.owners = nil, map[string][2]int{}
	if err := errors.Join(c.Stop(t.Context(), "loadscribe"), c.Start(t.Context(), "loadscribe")); err != nil {
		t.Fatal(err)
	}
	if want := []string{"systemctl stop loadscribe.service", "systemctl start loadscribe.service"}; !slices.Equal(c.calls, want) {
		t.Errorf("called %q, want %q", c.calls, want)
	}
	if c.owners["/srv/loadscribe/data/store.db"] != [2]int{accountID, accountID} {
		t.Error("a file that another user left in the record stays that user's")
	}
	c.User = 1000
	if err := c.Stop(t.Context(), "loadscribe"); err == nil || !strings.Contains(err.Error(), "sudo") {
		t.Errorf("without root: %v", err)
	}
}

func TestStatus(t *testing.T) {
	c := newComputer(t)
	is, err := c.Status(t.Context(), "loadscribe")
	if err != nil || is.Installed || is.State != NotInstalled {
		t.Errorf("before: %+v, %v", is, err)
	}
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	if is, err = c.Status(t.Context(), "loadscribe"); err != nil {
		t.Fatal(err)
	}
	if is.PID != 77 || is.Restarts != 2 || is.Since.Unix() != 1785000000 || is.Says != "records a = b" ||
		is.LastExit != "it was ended by signal 6: it gave no sign of life (watchdog), 2026-07-25T14:33:20Z" {
		t.Errorf("%+v", is)
	}
	for _, s := range []struct{ active, sub, want string }{
		{"active", "running", Running}, {"activating", "auto-restart", Restarting}, {"activating", "start", Starting},
		{"deactivating", "stop-sigterm", EndingNow}, {"failed", "failed", Failed}, {"inactive", "dead", Stopped},
	} {
		if got := stateOf(map[string]string{"LoadState": "loaded", "ActiveState": s.active, "SubState": s.sub}); got != s.want {
			t.Errorf("%s (%s): %s, want %s", s.active, s.sub, got, s.want)
		}
	}
}

// TestOwnersStayInside: a link that is put into the record leads no owner outside.
func TestOwnersStayInside(t *testing.T) {
	root := t.TempDir()
	data, outside := filepath.Join(root, "data"), filepath.Join(root, "outside")
	for _, dir := range []string{data, outside} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(outside, "shadow"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, filepath.Join(data, "journal")); err != nil {
		t.Fatal(err)
	}
	s := &Systemd{Own: (*os.Root).Lchown}
	err := s.setOwners(data, []owned{{path: "journal/shadow", user: os.Getuid(), group: os.Getgid(), mode: 0o666}})
	info, statErr := os.Stat(filepath.Join(outside, "shadow"))
	if err == nil || statErr != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("error %v, mode %v: a link led outside", err, info.Mode())
	}
}
