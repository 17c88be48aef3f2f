package awake

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// mask switches sleep off under systemd, and back on.
const mask = "Switch sleep off for as long as it records: sudo systemctl mask sleep.target suspend.target hibernate.target " +
	"hybrid-sleep.target suspend-then-hibernate.target (unmask with the same names switches it back on)."

// linuxState reads the settings of the system whose files begin at root; r is what was
// asked of its login manager.
func linuxState(root string, r request) State {
	s := settingsState(root)
	switch {
	case s.Sleep == Never || !r.asked:
	case r.err != nil:
		s.Why += " loadscribe asked to be kept awake, in vain (" + r.err.Error() + ")."
	default:
		s = State{Sleep: Held, How: "a lock of systemd's login manager, for as long as loadscribe runs",
			Why:  "This computer does not fall asleep by itself while loadscribe runs. Its administrator or an empty battery can still put it to sleep.",
			Mend: "Keep the computer on mains power."}
		if lid := lidSleeps(root); lid != "" {
			s.Why += " So does its lid when it is closed (" + lid + ")."
			s.Mend = "Keep the lid open, or set HandleLidSwitch=ignore in logind.conf, and keep the computer on mains power."
		}
	}
	return s
}

// settingsState is what the settings say, nothing being asked.
func settingsState(root string) State {
	if state, err := os.ReadFile(filepath.Join(root, "sys/power/state")); errors.Is(err, fs.ErrNotExist) || err == nil && strings.TrimSpace(string(state)) == "" {
		return State{Sleep: Never, How: "the kernel offers no sleep (/sys/power/state)", Why: "This computer cannot sleep: its kernel offers none."}
	}
	if _, err := os.Stat(filepath.Join(root, "run/systemd/system")); err != nil {
		return State{Sleep: Unknown, Why: "This computer can sleep, and who decides about it is not known: systemd does not run here.",
			Mend: "Switch sleep off in its energy settings for as long as it records."}
	}
	if how := switchedOff(root); how != "" {
		return State{Sleep: Never, How: how, Why: "Sleep is switched off on this computer."}
	}
	if why := setToSleep(root); len(why) > 0 {
		return State{Sleep: May, How: "systemd's login manager", Why: "This computer is set to sleep: " + strings.Join(why, "; ") + ".", Mend: mask}
	}
	return State{Sleep: Unknown, Why: "systemd's login manager is not set to put this computer to sleep, but a desktop's own energy settings may, and those cannot be read.",
		Mend: mask}
}

// switchedOff says by what all ways to sleep are switched off; empty: they are not.
// A masked unit is a link to /dev/null or an empty file (systemd.unit(5)); sleep.target
// is pulled in by each of the others (systemd.special(7)).
func switchedOff(root string) string {
	masked := func(unit string) bool {
		for _, dir := range []string{"etc/systemd/system", "run/systemd/system"} {
			path := filepath.Join(root, dir, unit)
			if to, err := os.Readlink(path); err == nil && to == "/dev/null" {
				return true
			}
			if info, err := os.Lstat(path); err == nil && info.Mode().IsRegular() && info.Size() == 0 {
				return true
			}
		}
		return false
	}
	if masked("sleep.target") {
		return "sleep.target is masked"
	}
	if masked("suspend.target") && masked("hibernate.target") && masked("hybrid-sleep.target") && masked("suspend-then-hibernate.target") {
		return "each of systemd's sleep targets is masked"
	}
	// systemd-sleep.conf(5): "no" to these two implies "no" to the other two, unless
	// those are set.
	set := settings(root, "sleep")
	no := func(key, otherwise string) bool {
		return slices.Contains([]string{"no", "false", "off", "0", "n", "f"}, strings.ToLower(cmp.Or(set[key], otherwise)))
	}
	if no("AllowSuspend", "yes") && no("AllowHibernation", "yes") && no("AllowHybridSleep", "no") && no("AllowSuspendThenHibernate", "no") {
		return "systemd's sleep.conf allows no way to sleep"
	}
	return ""
}

// sleepActions are the actions of logind.conf(5) that put the computer to sleep.
var sleepActions = [...]string{"suspend", "hibernate", "hybrid-sleep", "suspend-then-hibernate", "sleep"}

// setToSleep lists what logind.conf(5) lets put the computer to sleep by itself; the
// sleep key is a person's own doing.
func setToSleep(root string) (why []string) {
	set := settings(root, "logind")
	if does := cmp.Or(set["IdleAction"], "ignore"); slices.Contains(sleepActions[:], does) {
		why = append(why, fmt.Sprintf("when nobody uses it (IdleAction=%s)", does))
	}
	if lid := lidSleeps(root); lid != "" {
		why = append(why, "when its lid is closed ("+lid+")")
	}
	return why
}

// lidSleeps is the setting by which a closed lid puts the computer to sleep, also against a
// lock on sleep unless LidSwitchIgnoreInhibited says no (logind.conf(5)); empty: none.
func lidSleeps(root string) string {
	set := settings(root, "logind")
	if does := cmp.Or(set["HandleLidSwitch"], "suspend"); slices.Contains(sleepActions[:], does) && hasLid(root) {
		return "HandleLidSwitch=" + does
	}
	return ""
}

// hasLid: the kernel lists a lid switch.
func hasLid(root string) bool {
	found, err := filepath.Glob(filepath.Join(root, "proc/acpi/button/lid/*"))
	return err == nil && len(found) > 0
}

// settings are the keys that hold of systemd's NAME.conf: the first main file that is
// there, then what *.conf.d adds, sorted by file name whatever the directory, of one
// name only the first directory's.
func settings(root, name string) map[string]string {
	set := map[string]string{}
	dirs := []string{"etc/systemd", "run/systemd", "usr/local/lib/systemd", "usr/lib/systemd"}
	for _, dir := range dirs {
		if readSettings(filepath.Join(root, dir, name+".conf"), set) {
			break
		}
	}
	dropIns := map[string]string{}
	for _, dir := range dirs {
		paths, err := filepath.Glob(filepath.Join(root, dir, name+".conf.d", "*.conf"))
		if err != nil {
			continue // the pattern is sound unless root is not
		}
		for _, path := range paths {
			if base := filepath.Base(path); dropIns[base] == "" {
				dropIns[base] = path
			}
		}
	}
	bases := make([]string, 0, len(dropIns))
	for base := range dropIns {
		bases = append(bases, base)
	}
	slices.Sort(bases)
	for _, base := range bases {
		readSettings(dropIns[base], set)
	}
	return set
}

// readSettings adds a file's keys; it reports whether the file is there.
func readSettings(path string, set map[string]string) bool {
	file, err := os.Open(path)
	if err != nil {
		return false
	}
	defer file.Close()
	for lines := bufio.NewScanner(file); lines.Scan(); {
		line := strings.TrimSpace(lines.Text())
		if key, value, ok := strings.Cut(line, "="); ok && !strings.HasPrefix(line, "#") && !strings.HasPrefix(line, ";") {
			set[strings.TrimSpace(key)] = strings.TrimSpace(value)
		}
	}
	return true
}
