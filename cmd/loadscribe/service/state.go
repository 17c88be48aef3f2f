package service

import "time"

// State is how a service stands, as far as its manager says.
type State struct {
	Name      string     `json:"name"`
	Installed bool       `json:"installed"`
	Enabled   bool       `json:"enabled"` // it starts with the computer
	Running   bool       `json:"running"`
	State     string     `json:"state"` // running, starting, restarting, stopping, stopped, failed; not installed
	Since     *time.Time `json:"since"` // of State; nil: not known
	PID       int        `json:"pid"`   // 0: none
	// Restarts is how often the manager has started it anew since a person last did;
	// -1: the manager does not count.
	Restarts   int    `json:"restarts"`
	LastExit   string `json:"last_exit"` // how it last ended, a phrase; empty: not known, or it has not
	Says       string `json:"says"`      // what it last said of itself, a phrase
	Site       string `json:"site"`
	Data       string `json:"data"`
	Definition string `json:"definition"` // where the manager has it from
	Packaged   bool   `json:"packaged"`   // Definition came with a package of the system
	Log        string `json:"log"`        // where its log is, a phrase
}

// The words of State.State.
const (
	Running      = "running"
	Starting     = "starting"
	Restarting   = "restarting"
	EndingNow    = "stopping"
	Stopped      = "stopped"
	Failed       = "failed"
	NotInstalled = "not installed"
)
