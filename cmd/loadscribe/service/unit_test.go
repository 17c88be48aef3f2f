package service

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"

	"loadscribe/testdata/peers"
)

var update = flag.Bool("update", false, "write the example unit as install would")

const exampleUnit = "../../../configs/systemd/loadscribe.service"

// TestExampleUnit: the example is what install would write.
func TestExampleUnit(t *testing.T) {
	want := Example().Unit()
	if *update {
		if err := os.WriteFile(exampleUnit, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(exampleUnit)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Errorf("configs/systemd/loadscribe.service is not what install writes (-update renews it):\n%s\nwant\n%s", got, want)
	}
}

// plans are the kinds of place that a site may lie in.
func plans() map[string]*Plan {
	home := *Example()
	home.Site, home.Data = `/home/pat/air 50% "new"/site.toml`, `/home/pat/air 50% "new"/data`
	home.Folders, home.Writes = []string{`/home/pat/air 50% "new"`}, []string{"/mnt/back:ups", "/home/pat/own backups"}
	network := *Example()
	network.Serial, network.Devices, network.Groups = false, nil, nil
	newer := *Example()
	newer.Name, newer.Systemd = "air-2", backOffFrom
	return map[string]*Plan{"example": Example(), "in a home, with odd names": &home, "network only": &network, "newer systemd": &newer, "package": ForPackage()}
}

// analyzed runs systemd's own checker.
func analyzed(t *testing.T, args ...string) string {
	t.Helper()
	program, err := exec.LookPath("systemd-analyze")
	if err != nil {
		peers.Missing(t, "independent peer systemd-analyze is not installed (see .ci/peers)")
	}
	out, err := exec.Command(program, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("systemd-analyze %v: %v\n%s", args, err, out)
	}
	return string(out)
}

// laid writes a plan's unit into a folder, running a program that is there: the checker looks.
func laid(t *testing.T, p *Plan) string {
	t.Helper()
	there := *p
	there.Program = "/bin/true"
	file := filepath.Join(t.TempDir(), "loadscribe.service")
	if err := os.WriteFile(file, []byte(there.Unit()), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestUnitIsTaken: systemd finds nothing wrong with the units, and keeps every setting.
func TestUnitIsTaken(t *testing.T) {
	for name, p := range plans() {
		t.Run(name, func(t *testing.T) {
			if p.Systemd > 0 && systemdHere(t) < p.Systemd {
				t.Skipf("its settings are of systemd %d", p.Systemd)
			}
			if out := analyzed(t, "verify", "--man=no", laid(t, p)); strings.TrimSpace(out) != "" {
				t.Errorf("systemd says of the unit:\n%s\n%s", out, p.Unit())
			}
		})
	}
}

// TestUnitMistakesAreSeen: what TestUnitIsTaken relies on.
func TestUnitMistakesAreSeen(t *testing.T) {
	file := laid(t, Example())
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = []byte(strings.Replace(string(text), "UMask=0077", "UMask=often", 1))
	if err := os.WriteFile(file, text, 0o644); err != nil {
		t.Fatal(err)
	}
	if out := analyzed(t, "verify", "--man=no", file); !strings.Contains(out, "Failed to parse mode value") {
		t.Errorf("a wrong setting passes: %q", out)
	}
}

func systemdHere(t *testing.T) int {
	t.Helper()
	fields := strings.Fields(analyzed(t, "--version"))
	n, err := strconv.Atoi(fields[1])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// mostExposure is what systemd's own rating of the walls around the service may be, of 10.
const mostExposure = 1.5

func TestUnitExposure(t *testing.T) {
	for name, p := range plans() {
		if p.Systemd > 0 {
			continue // the same walls
		}
		t.Run(name, func(t *testing.T) {
			out := analyzed(t, "security", "--offline=true", "--no-pager", "--threshold="+strconv.Itoa(mostExposure*10), laid(t, p))
			found := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`).FindStringSubmatch(out)
			if found == nil {
				t.Fatalf("no figure in\n%s", out)
			}
			t.Logf("exposure %s of 10", found[1])
			if is, err := strconv.ParseFloat(found[1], 64); err != nil || is > mostExposure {
				t.Errorf("exposure %s of 10, at most %v is wanted:\n%s", found[1], mostExposure, out)
			}
		})
	}
}

// TestUnitComesBack: what makes it start again, whatever happened.
func TestUnitComesBack(t *testing.T) {
	old, newer := Example().Unit(), plans()["newer systemd"].Unit()
	for _, want := range []string{"Restart=always", "StartLimitIntervalSec=0", "WatchdogSec=60", "Type=notify", "WantedBy=multi-user.target"} {
		if !hasLine(old, want) || !hasLine(newer, want) {
			t.Errorf("no %s", want)
		}
	}
	if hasLine(old, "RestartSteps=6") || !hasLine(old, "RestartSec=15") || !hasLine(newer, "RestartSteps=6") || !hasLine(newer, "RestartSec=5") {
		t.Error("the waits between starts are not those of the version")
	}
	if strings.Contains(old, "network-online") {
		t.Error("it waits for the network")
	}
}

func hasLine(text, line string) bool { return slices.Contains(strings.Split(text, "\n"), line) }

// TestUnitPaths: what is written in which place.
func TestUnitPaths(t *testing.T) {
	all := plans()
	for _, c := range []struct {
		plan string
		has  []string
		not  []string
	}{
		{"example", []string{"StandardOutput=null", "StandardError=journal", "ProtectHome=yes", "ReadWritePaths=/srv/loadscribe/data", "ReadWritePaths=-/srv/loadscribe/backups",
			"SupplementaryGroups=dialout", "DeviceAllow=char-ttyUSB rw"}, []string{"PrivateDevices=yes"}},
		{"network only", []string{"PrivateDevices=yes", "DevicePolicy=closed"}, []string{"SupplementaryGroups=dialout", "DeviceAllow=char-ttyUSB rw"}},
		{"in a home, with odd names", []string{"ProtectHome=tmpfs", `BindReadOnlyPaths="/home/pat/air 50%% \"new\""`, `BindPaths="/home/pat/air 50%% \"new\"/data"`,
			`ReadWritePaths=-/mnt/back:ups`, `BindPaths="-/home/pat/own backups"`,
			`ExecStart=/usr/local/bin/loadscribe run --site "/home/pat/air 50%% \"new\"/site.toml"`}, []string{"ProtectHome=yes"}},
		{"package", []string{"ConditionPathExists=/etc/loadscribe/site.toml", "ReadWritePaths=/var/lib/loadscribe", "ProtectHome=yes", "SupplementaryGroups=dialout",
			"ExecStart=/usr/bin/loadscribe run --site /etc/loadscribe/site.toml"}, []string{"ReadWritePaths=/etc/loadscribe"}},
	} {
		text := all[c.plan].Unit()
		for _, want := range c.has {
			if !hasLine(text, want) {
				t.Errorf("%s: no line %s in\n%s", c.plan, want, text)
			}
		}
		for _, no := range c.not {
			if hasLine(text, no) {
				t.Errorf("%s: a line %s", c.plan, no)
			}
		}
	}
}

// TestPolkitActions holds the rule's actions to logind's own list, as its package
// installs it.
func TestPolkitActions(t *testing.T) {
	const list = "/usr/share/polkit-1/actions/org.freedesktop.login1.policy"
	text, err := os.ReadFile(list)
	if err != nil {
		if os.Getenv("LOADSCRIBE_PEERS") == "require" && runtime.GOOS == "linux" {
			t.Fatalf("%v (see .ci/peers: systemd)", err)
		}
		t.Skipf("logind's list of actions is not installed: %v", err)
	}
	named := regexp.MustCompile(`action\.id == "([^"]+)"`).FindAllStringSubmatch(PolkitRule, -1)
	if len(named) != 2 {
		t.Fatalf("%d actions in the rule", len(named))
	}
	for _, n := range named {
		if !strings.Contains(string(text), `<action id="`+n[1]+`">`) {
			t.Errorf("logind knows no action %s", n[1])
		}
	}
}
