package store

// SyncDir does nothing: Windows has no sync of a directory; NTFS journals its
// metadata in order.
func (osFS) SyncDir(string) error { return nil }
