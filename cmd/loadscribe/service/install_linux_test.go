package service

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"
)

// TestInstallTakesOver a record that somebody made by hand, open to all; when the installation fails
// it is as it was.
func TestInstallTakesOver(t *testing.T) {
	for _, fails := range []bool{false, true} {
		c := newComputer(t)
		c.put(t, "/srv/loadscribe/data/store.db", "record", 0o644)
		want := os.FileMode(0o700)
		if fails {
			c.fails["systemctl restart"], want = errors.New("no"), 0o755
		}
		if err := c.Install(t.Context(), Example()); (err != nil) != fails {
			t.Fatal(err)
		}
		info, err := os.Stat(c.at("/srv/loadscribe/data"))
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("fails %v: %v, %v, want %v", fails, info.Mode(), err, want)
		}
		if owner := c.owners["/srv/loadscribe/data/store.db"][0]; (owner == accountID) == fails {
			t.Errorf("fails %v: the record is %d's", fails, owner)
		}
	}
}

// TestInstallAfterFailure: what a start left that failed before there was a record is no
// other's.
func TestInstallAfterFailure(t *testing.T) {
	c := newComputer(t)
	c.put(t, "/srv/loadscribe/data/lock", "77", 0o600)
	c.put(t, "/srv/loadscribe/data/logs/air.log", "recording", 0o600)
	p := Example()
	p.Log = "/srv/loadscribe/data/logs/air.log"
	if err := c.Install(t.Context(), p); err != nil {
		t.Fatal(err)
	}
	c.put(t, "/srv/loadscribe/data/letter", "Dear", 0o600)
	if err := c.Install(t.Context(), p); err == nil {
		t.Error("a folder with a letter is taken")
	}
}

// TestInstallSlow: a start that repairs a record is left to it.
func TestInstallSlow(t *testing.T) {
	c := newComputer(t)
	c.slow, c.Patience = true, 10*time.Millisecond
	if err := c.Install(t.Context(), Example()); err != nil {
		t.Fatal(err)
	}
	if !c.there(unitFile("loadscribe")) || !strings.Contains(c.out.String(), "under repair") {
		t.Errorf("taken back, or not said:\n%s", &c.out)
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
	c.put(t, "/srv/loadscribe/backups/20260725T140000Z-000001.loadscribe-backup", "backup", 0o600)
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
			if told := strings.Contains(err.Error(), "process 12 records there"); told != (fails == "systemctl restart loadscribe") {
				t.Errorf("why it did not start: %v", err)
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
		{"a map in the data", func(t *testing.T, c *computer, p *Plan) {
			c.put(t, "/srv/loadscribe/data/store.db", "record", 0o600)
			p.Inside = []string{"/srv/loadscribe/data/screw.toml"}
		}, "/srv/loadscribe/data/screw.toml as well; move that file"},
		{"a secret among the backups", func(t *testing.T, c *computer, p *Plan) {
			p.Reads = append(p.Reads, "/srv/loadscribe/backups/mail")
		}, "/srv/loadscribe/backups/mail as well"},
		{"data among other things", func(t *testing.T, c *computer, _ *Plan) {
			c.put(t, "/srv/loadscribe/data/letter.txt", "Dear", 0o644)
		}, "holds other things"},
		{"data in a folder of the system", func(t *testing.T, c *computer, p *Plan) {
			c.put(t, "/var/lock/x", "", 0o644)
			c.put(t, "/var/store.db/x", "", 0o644)
			p.Data = "/var"
		}, "/var is to be the service's alone"},
		{"a log among the system's", func(t *testing.T, c *computer, p *Plan) {
			c.put(t, "/var/log/syslog", "x", 0o644)
			c.put(t, "/var/log/air.log", "x", 0o644)
			p.Log, p.Writes = "/var/log/air.log", []string{"/var/log"}
		}, "/var/log is to be the service's alone"},
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
