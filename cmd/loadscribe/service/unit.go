package service

import (
	"fmt"
	"slices"
	"strings"
)

// WatchdogS is after how many seconds without a sign of life systemd ends the process
// and starts it anew. run gives one three times as often.
const WatchdogS = 60

// stopLimitS is after how many seconds a stop that hangs is ended by force.
const stopLimitS = 20

// backOffFrom is the first systemd that waits longer after each failure.
const backOffFrom = 254

// ownSection holds what loadscribe itself reads again; systemd passes over sections
// that begin with X-.
const ownSection = "X-Loadscribe"

type unitWriter struct{ strings.Builder }

func (u *unitWriter) set(key, value string)           { fmt.Fprintf(u, "%s=%s\n", key, value) }
func (u *unitWriter) lines(text string)               { u.WriteString(text) }
func (u *unitWriter) comment(format string, a ...any) { fmt.Fprintf(u, "# "+format+"\n", a...) }

// Unit is the text of the systemd unit. It is the same for the same plan.
func (p *Plan) Unit() string {
	u := &unitWriter{}
	if p.Packaged {
		u.comment("Of the package loadscribe, which writes it anew: put changes into")
	} else {
		u.comment("Made by loadscribe service install, which writes it anew: put changes into")
	}
	u.comment("a drop-in (systemctl edit %s).", p.Name)
	u.lines("[Unit]\nDescription=loadscribe, records air compressors and serves their pages\n")
	u.comment("Readings first: the network may come later, lines are tried until it has.")
	u.lines("After=network.target\n")
	if p.Packaged {
		u.comment("Without a site file there is nothing to record.")
		u.set("ConditionPathExists", unitPath(p.Site))
	}
	u.comment("It comes back after any number of failures.")
	u.lines("StartLimitIntervalSec=0\n\n[Service]\n")
	p.unitRun(u)
	u.lines("\n")
	p.unitAccount(u)
	u.lines("\n")
	p.unitFiles(u)
	u.lines("\n")
	u.lines(unitWalls)
	u.lines("\n[Install]\nWantedBy=multi-user.target\n\n")
	fmt.Fprintf(u, "[%s]\n", ownSection)
	u.set("Site", p.Site)
	u.set("Data", p.Data)
	if p.Log != "" {
		u.set("Log", p.Log)
	}
	return u.String()
}

func (p *Plan) unitRun(u *unitWriter) {
	u.lines("Type=notify\nNotifyAccess=main\n")
	u.set("ExecStart", unitArgument(p.Program)+" run --site "+unitArgument(p.Site))
	u.lines("WorkingDirectory=/\n")
	u.comment("The log is standard error. Standard output has the first sign-in's code, which no log may hold.")
	u.lines("StandardOutput=null\nStandardError=journal\n")
	u.comment("A start may have to repair a damaged record, and takes what it takes.")
	u.lines("TimeoutStartSec=infinity\n")
	u.comment("It stops in order in under 5 s; what hangs longer is ended.")
	u.set("TimeoutStopSec", fmt.Sprint(stopLimitS))
	u.set("WatchdogSec", fmt.Sprint(WatchdogS))
	u.lines("Restart=always\n")
	if p.Systemd >= backOffFrom {
		u.lines("RestartSec=5\nRestartSteps=6\nRestartMaxDelaySec=300\n")
	} else {
		u.lines("RestartSec=15\n")
	}
	u.comment("When memory runs out, others go first.")
	u.lines("OOMScoreAdjust=-500\nLimitNOFILE=8192\nLimitCORE=0\nTasksMax=512\n")
}

func (p *Plan) unitAccount(u *unitWriter) {
	u.set("User", Account)
	u.set("Group", Account)
	if len(p.Groups) > 0 {
		u.comment("May open serial ports.")
		u.set("SupplementaryGroups", strings.Join(p.Groups, " "))
	}
	u.lines("UMask=0077\n")
	u.comment("No network or device needs more than an ordinary user's rights.")
	u.lines("NoNewPrivileges=yes\nCapabilityBoundingSet=\nAmbientCapabilities=\n")
	u.lines("DevicePolicy=closed\n")
	if !p.Serial {
		u.lines("PrivateDevices=yes\n")
		return
	}
	for _, class := range slices.Sorted(slices.Values(p.Devices)) {
		u.set("DeviceAllow", "char-"+class+" rw")
	}
}

// unitFiles says what of the file system there is: all of it to read but people's homes,
// and to write nothing but what is the service's. What lies in a home is bound alone into
// an empty one, by folder: a file that is replaced by an editor would else stay the old one.
func (p *Plan) unitFiles(u *unitWriter) {
	u.lines("ProtectSystem=strict\nPrivateTmp=yes\n")
	hidden := "ProtectHome=yes\n"
	for _, f := range slices.Concat(p.Folders, []string{p.Data}, p.Writes) {
		if inHome(f) {
			hidden = "ProtectHome=tmpfs\n"
		}
	}
	u.lines(hidden)
	for _, f := range p.Folders {
		if inHome(f) {
			u.set("BindReadOnlyPaths", unitBind(f))
		}
	}
	for i, f := range append([]string{p.Data}, p.Writes...) {
		maybe := "-" // a disk for backups that is not there stops no recording
		if i == 0 {
			maybe = "" // without its folder it must not begin elsewhere
		}
		if inHome(f) {
			u.set("BindPaths", quotedMaybe(maybe, unitBind(f)))
		} else {
			u.set("ReadWritePaths", quotedMaybe(maybe, unitPath(f)))
		}
	}
}

// quotedMaybe puts the mark of what may be missing before a path, inside its quotes.
func quotedMaybe(mark, path string) string {
	if rest, quoted := strings.CutPrefix(path, `"`); quoted {
		return `"` + mark + rest
	}
	return mark + path
}

// unitWalls is what the agent never needs: it speaks TCP, UDP for names, and to the
// journal, systemd and logind on this computer. /proc and /sys stay readable for
// the boot's id and whether the computer may sleep.
const unitWalls = `PrivateMounts=yes
ProtectProc=invisible
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
KeyringMode=private
RemoveIPC=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
`

// Sysusers is the text for systemd-sysusers that makes the account (sysusers.d(5)).
const Sysusers = "# Made by loadscribe service install.\nu " + Account + ` - "loadscribe, records air compressors" -
`

// Example is the plan behind configs/systemd/loadscribe.service.
func Example() *Plan {
	return &Plan{Name: DefaultName, Program: "/usr/local/bin/loadscribe", Site: "/srv/loadscribe/site.toml", Data: "/srv/loadscribe/data",
		Reads: []string{"/srv/loadscribe/site.toml"}, Folders: []string{"/srv/loadscribe", "/srv/loadscribe/maps"},
		Writes: []string{"/srv/loadscribe/backups"}, Serial: true, Devices: []string{"ttyACM", "ttyS", "ttyUSB"}, Groups: []string{"dialout"},
		Listen: "127.0.0.1:8477"}
}

// ForPackage is the plan of a package for Debian. Its record lies where Debian has such: the
// package's postinst lays a link there beside the site file, where a site file that says
// nothing of its data has them.
func ForPackage() *Plan {
	const folder = "/etc/loadscribe"
	return &Plan{Name: DefaultName, Program: "/usr/bin/loadscribe", Site: folder + "/site.toml", Data: "/var/lib/loadscribe",
		Reads: []string{folder + "/site.toml"}, Folders: []string{folder}, Serial: true, Devices: []string{"ttyACM", "ttyS", "ttyUSB"},
		Groups: []string{"dialout"}, Listen: "127.0.0.1:8477", Packaged: true}
}

// OfPackage is a text that install writes, as a package has it.
func OfPackage(text string) string {
	return strings.Replace(text, "Made by loadscribe service install.", "Of the package loadscribe.", 1)
}

// Tmpfiles is the text for systemd-tmpfiles that makes a package's data directory (tmpfiles.d(5)).
// It is never emptied by age.
const Tmpfiles = "# Of the package loadscribe: the record.\nd /var/lib/loadscribe 0700 " + Account + " " + Account + " -\n"

// PolkitRule lets the service's user keep the computer awake, by the two actions of logind
// that this takes, and nothing else. See org.freedesktop.login1(5) and polkit(8).
const PolkitRule = `// Made by loadscribe service install.
// It may keep this computer from falling asleep while it records, and nothing else.
polkit.addRule(function(action, subject) {
    if (subject.user == "` + Account + `" &&
        (action.id == "org.freedesktop.login1.inhibit-block-sleep" ||
         action.id == "org.freedesktop.login1.inhibit-block-idle")) {
        return polkit.Result.YES;
    }
});
`
