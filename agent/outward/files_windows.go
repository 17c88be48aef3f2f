package outward

// SyncDir does nothing: Windows has no sync of a directory; NTFS journals its
// metadata in order.
func (Disk) SyncDir(string) error { return nil }
