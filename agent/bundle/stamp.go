package bundle

import "time"

// stamp is a time for people.
func stamp(ms int64) string { return time.UnixMilli(ms).UTC().Format(time.RFC3339) }
