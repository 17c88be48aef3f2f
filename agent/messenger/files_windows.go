package messenger

// SyncDir does nothing: Windows has no sync of a directory; NTFS journals its
// metadata in order.
func (osFiles) SyncDir(string) error { return nil }
