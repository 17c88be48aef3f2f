package service

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

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
	taken := func(*os.Root, string, int, int) error { return nil } // so that the mode is tried as well
	for _, own := range []func(*os.Root, string, int, int) error{(*os.Root).Lchown, taken} {
		s := &Systemd{Own: own}
		err := s.setOwners(data, []owned{{path: "journal/shadow", user: os.Getuid(), group: os.Getgid(), mode: 0o666}})
		info, statErr := os.Stat(filepath.Join(outside, "shadow"))
		if err == nil || statErr != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("error %v, mode %v: a link led outside", err, info.Mode())
		}
	}
}

// packaged is a computer with the package's files, and no site file yet.
func packaged(t *testing.T) *computer {
	t.Helper()
	c := newComputer(t)
	c.user = true
	c.put(t, "/usr/lib/systemd/system/loadscribe.service", ForPackage().Unit(), 0o644)
	return c
}

// TestPackagedService: the package's unit is looked after like one of ours, is never deleted,
// and is not started for nothing.
func TestPackagedService(t *testing.T) {
	c := packaged(t)
	is, err := c.Status(t.Context(), "loadscribe")
	if err != nil || !is.Installed || !is.Packaged || is.Definition != "/usr/lib/systemd/system/loadscribe.service" || is.Site != "/etc/loadscribe/site.toml" || is.Data != "/var/lib/loadscribe" {
		t.Errorf("status %+v, %v", is, err)
	}
	if err := c.Start(t.Context(), "loadscribe"); err == nil || !strings.Contains(err.Error(), "loadscribe new --site /etc/loadscribe/site.toml") {
		t.Errorf("a start without a site file: %v", err)
	}
	c.put(t, "/etc/loadscribe/site.toml", "site", 0o600)
	if err := c.Start(t.Context(), "loadscribe"); err == nil || !strings.Contains(err.Error(), "chgrp loadscribe") {
		t.Errorf("a start with a site file that the user may not read: %v", err)
	}
	if len(c.calls) > 0 {
		t.Fatalf("something was done: %q", c.calls)
	}
	c.put(t, "/var/lib/loadscribe/store.db", "record", 0o600) // as loadscribe new leaves it, run as root
	if err := os.Chmod(c.at("/etc/loadscribe/site.toml"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(c.Start(t.Context(), "loadscribe"), c.Stop(t.Context(), "loadscribe")); err != nil {
		t.Fatal(err)
	}
	if c.owners["/var/lib/loadscribe/store.db"] != [2]int{accountID, accountID} {
		t.Error("what root left in the record stays root's")
	}
	if err := c.Remove(t.Context(), "loadscribe"); err == nil || !strings.Contains(err.Error(), "apt remove loadscribe") || !c.there("/usr/lib/systemd/system/loadscribe.service") {
		t.Errorf("the package's service was removed: %v", err)
	}
	if want := []string{"systemctl start loadscribe.service", "systemctl stop loadscribe.service"}; !slices.Equal(c.calls, want) {
		t.Errorf("called %q, want %q", c.calls, want)
	}
}

// TestInstallOverPackage: install writes a unit of its own, which takes the package's place
// until it is removed.
func TestInstallOverPackage(t *testing.T) {
	c := packaged(t)
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	if is, err := c.Status(t.Context(), "loadscribe"); err != nil || is.Packaged || is.Definition != unitFile("loadscribe") || is.Site != Example().Site {
		t.Errorf("status %+v, %v", is, err)
	}
	if err := c.Remove(t.Context(), "loadscribe"); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(c.out.String(), "systemctl enable loadscribe") {
		t.Errorf("it does not say that the package's service is there again:\n%s", &c.out)
	}
	if is, err := c.Status(t.Context(), "loadscribe"); err != nil || !is.Packaged {
		t.Errorf("status %+v, %v", is, err)
	}
}
