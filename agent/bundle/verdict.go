package bundle

// Verdict is what a bundle proves.
type Verdict struct {
	// SHA256 names the bundle: the hash of all before the zip's end record.
	SHA256 string `json:"sha256"`
	// Bytes is its length.
	Bytes int64 `json:"bytes"`
	// Origin names the log: loadscribe/ and the store's id.
	Origin string `json:"origin"`
	// Key is the fingerprint of the key that signed the checkpoint.
	Key string `json:"key"`
	// Size and Root are the log's, MadeMS is when its checkpoint was made.
	Size   int64  `json:"size"`
	Root   string `json:"root"`
	MadeMS int64  `json:"made_ms"`
	// FromMS and ToMS are the window, half open.
	FromMS int64 `json:"from_ms"`
	ToMS   int64 `json:"to_ms"`
	// FirstMS and LastMS are the first and the last reading in it; 0: none.
	FirstMS   int64    `json:"first_ms"`
	LastMS    int64    `json:"last_ms"`
	Layout    string   `json:"layout"`
	Channels  []string `json:"channels"`
	FirstLeaf int64    `json:"first_leaf"`
	EndLeaf   int64    `json:"end_leaf"`
	// Begins and Ends report whether the log itself begins or ends within what
	// is shown, so that nothing shows what was before or after.
	Begins bool `json:"begins"`
	Ends   bool `json:"ends"`
	// Blocks were checked against their hashes; Dropped are blocks of the
	// window whose readings the store had deleted, which the log shows.
	Blocks  int `json:"blocks"`
	Dropped int `json:"dropped"`
	// Scans are in the window, CSVBytes is the length of the readings as CSV.
	Scans    int64 `json:"scans"`
	CSVBytes int64 `json:"csv_bytes"`
	// Missing sequence numbers of scans were lost before they were sealed.
	Missing uint64   `json:"missing"`
	Devices []Device `json:"devices"`
	// Imported tells what of the window came from files and not from a line.
	Imported []Import `json:"imported"`
	// Files are the site file and maps that are in the bundle.
	Files []SiteFile `json:"files"`
	// LostTexts are hashes of versions that the store no longer had.
	LostTexts []string `json:"lost_texts"`
	// Adopted says what the log began with, for which it proves nothing before
	// its own beginning.
	Adopted Adopted `json:"adopted"`
	// Kept says how the log continues the checkpoint given to Verify: "same",
	// "continued"; empty where none was given.
	Kept string `json:"kept"`
	// KeptSize is that checkpoint's number of leaves.
	KeptSize int64 `json:"kept_size"`
}

// Device is one device's share of the window.
type Device struct {
	Name   string `json:"name"`
	Scans  int64  `json:"scans"`
	Good   int64  `json:"good"`
	Blocks int    `json:"blocks"`
}

// Import is a stretch of readings that came from files.
type Import struct {
	Segment uint32 `json:"segment"`
	Scans   int64  `json:"scans"`
	FirstMS int64  `json:"first_ms"`
	LastMS  int64  `json:"last_ms"`
	// Text is the event's, where it is among what is shown.
	Text string `json:"text"`
}

// SiteFile is a version of a site file or map, as an event of the log names it.
type SiteFile struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	FromMS int64  `json:"from_ms"`
}

// Adopted is what a log began with. Nothing shows whether that was altered
// before the log began.
type Adopted struct {
	Blocks uint64 `json:"blocks"`
	Events uint64 `json:"events"`
	// Earlier is the checkpoint of the log of a damaged file that this one
	// took the place of.
	Earlier string `json:"earlier"`
}
