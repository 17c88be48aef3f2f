package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"loadscribe/cmd/loadscribe/service"
	"loadscribe/testdata/peers"
)

// TestSourceVersion: only a tag of a version names one, a hash has its length whatever git is
// set to, and make says the same.
func TestSourceVersion(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		peers.Missing(t, "git is not installed")
	}
	root := t.TempDir()
	git := func(args ...string) {
		t.Helper()
		if _, err := run(t.Context(), root, nil, "git", args...); err != nil {
			t.Fatal(err)
		}
	}
	version := func(want string) {
		t.Helper()
		source, err := openSource(t.Context(), root, "")
		if err != nil || !regexp.MustCompile("^"+want+"$").MatchString(source.Version) {
			t.Errorf("version %q, %v; want %s", source.Version, err, want)
		}
	}
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(root, "file"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	commit := func(text string) {
		t.Helper()
		write(text)
		git("add", "file")
		git("-c", "user.name=A. Writer", "-c", "user.email=writer@loadscribe.invalid", "-c", "commit.gpgsign=false", "commit", "-q", "-m", text)
	}
	git("init", "-q")
	git("config", "core.abbrev", "5")
	commit("one")
	git("tag", "nightly")
	version("[0-9a-f]{12}")
	git("tag", "v1.2.0")
	version("1\\.2\\.0")
	commit("two")
	version("1\\.2\\.0-1-g[0-9a-f]{12}")
	write("three")
	version("1\\.2\\.0-1-g[0-9a-f]{12}-dirty")

	made, err := os.ReadFile(filepath.Join(treeFolder, "Makefile"))
	if said := "git " + strings.Join(describe, " ") + " "; err != nil || !strings.Contains(strings.ReplaceAll(string(made), "'", ""), said) {
		t.Errorf("the Makefile does not ask %q: %v", said, err)
	}
}

// TestDebianScripts: the package's scripts look where its unit does.
func TestDebianScripts(t *testing.T) {
	plan := service.ForPackage()
	is := map[string]string{"site": plan.Site, "record": plan.Data, "link": filepath.Join(filepath.Dir(plan.Site), "data")}
	assigned := regexp.MustCompile(`(?m)^(site|record|link)=(\S+)$`)
	found := 0
	for _, name := range []string{"preinst", "postinst", "prerm", "postrm"} {
		text, err := scripts.ReadFile("debian/" + name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range assigned.FindAllSubmatch(text, -1) {
			found++
			if want := is[string(m[1])]; string(m[2]) != want {
				t.Errorf("%s: %s is %s, the unit's is %s", name, m[1], m[2], want)
			}
		}
	}
	if found != 5 {
		t.Errorf("%d paths were found, 5 are expected", found)
	}
}
