package awake

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// files makes a system's files: a value that begins with "->" is a link.
func files(t *testing.T, all map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for path, text := range all {
		path = filepath.Join(root, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if to, ok := strings.CutPrefix(text, "->"); ok {
			if runtime.GOOS == "windows" {
				t.Skip("links need rights there")
			}
			err = os.Symlink(to, path)
		} else {
			err = os.WriteFile(path, []byte(text), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// TestLinux holds the reading of settings to systemd's own descriptions:
// systemd.unit(5) on masked units and systemd-sleep.conf(5), logind.conf(5) on keys,
// their defaults and the order of files (pages of systemd 252).
func TestLinux(t *testing.T) {
	systemd := map[string]string{"sys/power/state": "freeze mem disk\n", "run/systemd/system/x": ""}
	lid := map[string]string{"proc/acpi/button/lid/LID0/state": "state: open\n"}
	for _, c := range []struct {
		name  string
		files []map[string]string
		sleep Sleep
		how   string // part of How and Why
	}{
		{"no kernel sleep at all", nil, Never, "kernel"},
		{"an empty list of sleeps", []map[string]string{{"sys/power/state": "\n"}}, Never, "kernel"},
		{"another init", []map[string]string{{"sys/power/state": "mem"}}, Unknown, "systemd does not run"},
		{"nothing is set", []map[string]string{systemd}, Unknown, "desktop"},
		{"a lid, by the default", []map[string]string{systemd, lid}, May, "HandleLidSwitch=suspend"},
		{"a lid that does nothing", []map[string]string{systemd, lid, {"etc/systemd/logind.conf": "[Login]\nHandleLidSwitch=ignore\n"}}, Unknown, "desktop"},
		{"a comment sets nothing", []map[string]string{systemd, lid, {"etc/systemd/logind.conf": "#HandleLidSwitch=ignore\n"}}, May, "lid"},
		{"idle", []map[string]string{systemd, {"etc/systemd/logind.conf": "[Login]\nIdleAction = suspend\n"}}, May, "IdleAction=suspend"},
		{"powering off when idle is no sleep", []map[string]string{systemd, {"etc/systemd/logind.conf": "IdleAction=lock\n"}}, Unknown, "desktop"},
		{"a drop-in is over the main file", []map[string]string{systemd, {"etc/systemd/logind.conf": "IdleAction=suspend\n",
			"usr/lib/systemd/logind.conf.d/10-a.conf": "IdleAction=ignore\n"}}, Unknown, "desktop"},
		{"the last drop-in by name wins, whatever its directory", []map[string]string{systemd, {
			"usr/lib/systemd/logind.conf.d/90-a.conf": "IdleAction=hibernate\n", "etc/systemd/logind.conf.d/10-b.conf": "IdleAction=ignore\n"}}, May, "IdleAction=hibernate"},
		{"of one name, /etc's is read alone", []map[string]string{systemd, {
			"usr/lib/systemd/logind.conf.d/10-a.conf": "IdleAction=hibernate\n", "etc/systemd/logind.conf.d/10-a.conf": ""}}, Unknown, "desktop"},
		{"sleep.target masked", []map[string]string{systemd, lid, {"etc/systemd/system/sleep.target": "->/dev/null"}}, Never, "sleep.target is masked"},
		{"masked until the next start, by an empty file", []map[string]string{systemd, lid, {"run/systemd/system/sleep.target": ""}}, Never, "sleep.target is masked"},
		{"one of the ways masked", []map[string]string{systemd, lid, {"etc/systemd/system/suspend.target": "->/dev/null"}}, May, "lid"},
		{"each of the ways masked", []map[string]string{systemd, lid, {"etc/systemd/system/suspend.target": "->/dev/null", "etc/systemd/system/hibernate.target": "->/dev/null",
			"etc/systemd/system/hybrid-sleep.target": "->/dev/null", "etc/systemd/system/suspend-then-hibernate.target": "->/dev/null"}}, Never, "each of"},
		{"a link elsewhere masks nothing", []map[string]string{systemd, {"etc/systemd/system/sleep.target": "->/usr/lib/systemd/system/sleep.target"}}, Unknown, "desktop"},
		{"sleep.conf allows none", []map[string]string{systemd, lid, {"etc/systemd/sleep.conf": "[Sleep]\nAllowSuspend=no\nAllowHibernation=no\n"}}, Never, "sleep.conf"},
		{"sleep.conf allows one of the others", []map[string]string{systemd, lid, {"etc/systemd/sleep.conf": "AllowSuspend=no\nAllowHibernation=no\nAllowHybridSleep=yes\n"}}, May, "lid"},
		{"sleep.conf allows hibernation", []map[string]string{systemd, lid, {"etc/systemd/sleep.conf": "AllowSuspend=no\n"}}, May, "lid"},
	} {
		t.Run(c.name, func(t *testing.T) {
			all := map[string]string{}
			for _, some := range c.files {
				for path, text := range some {
					all[path] = text
				}
			}
			got := linuxState(files(t, all), request{})
			if got.Sleep != c.sleep || !strings.Contains(got.How+" "+got.Why, c.how) {
				t.Errorf("got %+v, want %s with %q", got, c.sleep, c.how)
			}
			if asks := got.Mend != ""; asks != (c.sleep != Never) {
				t.Errorf("what to do is said: %v, of %s", asks, c.sleep)
			}
		})
	}
}

// What the function's description promises (SetThreadExecutionState, winbase.h):
// nothing hinders a person, so that a request that was granted still says what to do.
func TestWindows(t *testing.T) {
	for _, c := range []struct {
		request request
		sleep   Sleep
		why     string
	}{
		{request{}, May, "Nothing asks"},
		{request{asked: true, err: errors.New("no")}, May, "refused to stay awake (no)"},
		{request{asked: true}, Held, "closed lid"},
	} {
		if got := windowsState(c.request); got.Sleep != c.sleep || !strings.Contains(got.Why, c.why) || got.Mend == "" {
			t.Errorf("%+v: got %+v, want %s with %q", c.request, got, c.sleep, c.why)
		}
	}
}

// A Keeper knows something from the start and ends with its context.
func TestKeeper(t *testing.T) {
	for _, hold := range []bool{true, false} {
		k := New(hold)
		if s := k.State(); s.Sleep == "" || s.Why == "" {
			t.Errorf("hold %v, before it runs: %+v", hold, s)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done, seen := make(chan error, 1), 0
		go func() { done <- k.Run(ctx, func(State) { seen++ }) }()
		cancel()
		select {
		case err := <-done:
			if err != nil || seen != 1 {
				t.Errorf("hold %v: %v, told %d times, want once", hold, err, seen)
			}
		case <-time.After(5 * time.Second):
			t.Fatal("it does not end")
		}
	}
	if s := (*Keeper)(nil).State(); s.Sleep != Unknown || s.Mend != "" {
		t.Errorf("none: %+v", s)
	}
}
