package service

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

var shown = []string{"LoadState", "UnitFileState", "ActiveState", "SubState", "StateChangeTimestamp", "MainPID", "NRestarts",
	"ExecMainCode", "ExecMainStatus", "ExecMainExitTimestamp", "Result", "StatusText"}

// Status asks systemd, and the unit itself for what it records.
func (s *Systemd) Status(ctx context.Context, name string) (State, error) {
	st := State{Name: name, State: NotInstalled}
	if err := CheckName(name); err != nil {
		return st, err
	}
	file, packaged := s.unitInUse(name)
	if file == "" {
		return st, nil
	}
	out, err := s.Run(ctx, "systemctl", "show", unitName(name), "--timestamp=unix", "--property="+strings.Join(shown, ","))
	if err != nil {
		return st, err
	}
	is := map[string]string{}
	for line := range strings.Lines(out) {
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "=")
		is[key] = value
	}
	st.Installed = is["LoadState"] == "loaded"
	st.Enabled = is["UnitFileState"] == "enabled"
	st.State = stateOf(is)
	st.Running = st.State == Running
	st.Since = unixStamp(is["StateChangeTimestamp"])
	st.PID, _ = strconv.Atoi(is["MainPID"]) // 0: none
	st.Restarts, _ = strconv.Atoi(is["NRestarts"])
	st.LastExit = lastExit(is)
	st.Says = is["StatusText"]
	own := s.own(name)
	st.Site, st.Data = own["Site"], own["Data"]
	st.Definition, st.Packaged = file, packaged
	st.Log = "journalctl -u " + name
	if own["Log"] != "" {
		st.Log += ", and " + own["Log"]
	}
	return st, nil
}

// stateOf puts systemd's active and sub states (systemctl(1), systemd.service's states) into our words.
func stateOf(is map[string]string) string {
	switch active, sub := is["ActiveState"], is["SubState"]; {
	case sub == "auto-restart" || sub == "auto-restart-queued":
		return Restarting
	case active == "active" || active == "reloading":
		return Running
	case active == "activating":
		return Starting
	case active == "deactivating":
		return EndingNow
	case active == "failed":
		return Failed
	case is["LoadState"] == "not-found":
		return NotInstalled
	}
	return Stopped
}

// unixStamp reads "@1785000000"; nil where there is none.
func unixStamp(text string) *time.Time {
	n, err := strconv.ParseInt(strings.TrimPrefix(text, "@"), 10, 64)
	if err != nil || n <= 0 {
		return nil
	}
	at := time.Unix(n, 0).UTC()
	return &at
}

// lastExit is how the process last ended, in words. ExecMainCode is a CLD_ code of waitid(2):
// 1 exited, 2 killed, 3 dumped.
func lastExit(is map[string]string) string {
	var how string
	switch is["ExecMainCode"] {
	case "1":
		how = "it ended with code " + is["ExecMainStatus"]
	case "2", "3":
		how = "it was ended by signal " + is["ExecMainStatus"]
	default:
		return ""
	}
	if is["Result"] == "watchdog" {
		how += ": it gave no sign of life (watchdog)"
	}
	if at := unixStamp(is["ExecMainExitTimestamp"]); at != nil {
		how += ", " + at.Format(time.RFC3339)
	}
	return how
}

// own is what a unit of ours says of itself; empty where it cannot be read.
func (s *Systemd) own(name string) map[string]string {
	says := map[string]string{}
	file, _ := s.unitInUse(name)
	text, err := os.ReadFile(s.at(file))
	if file == "" || err != nil {
		return says
	}
	_, own, _ := strings.Cut(string(text), fmt.Sprintf("\n[%s]\n", ownSection))
	for line := range strings.Lines(own) {
		key, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "=")
		says[key] = value
	}
	return says
}
