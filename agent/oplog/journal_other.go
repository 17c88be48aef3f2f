//go:build !linux

package oplog

import "os"

// ToJournal reports false: there is no systemd here.
func ToJournal(*os.File, string) bool { return false }
