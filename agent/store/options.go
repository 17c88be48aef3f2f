package store

import (
	"errors"
	"log/slog"
	"time"

	bolt "go.etcd.io/bbolt"

	"loadscribe/agent/scan"
)

// Sentinel errors.
var (
	// ErrLocked: a running agent holds the data directory.
	ErrLocked = errors.New("the data directory is in use")
	// ErrClosed: the Store was used after Close.
	ErrClosed = errors.New("the store is closed")
	// ErrYielded: a reader of a stopped store had to give way to an agent, a
	// backup or a compaction.
	ErrYielded = errors.New("another loadscribe has taken this data directory meanwhile (an agent that started, a backup or a compaction); run the command again")
	// ErrReadOnly: a write to a store opened with OpenReadOnly.
	ErrReadOnly = errors.New("the store is open for reading only")
	// ErrNoStore: OpenReadOnly found no store in the directory.
	ErrNoStore = errors.New("no store here")
	// ErrNewer: the file was written by a newer version of this program.
	ErrNewer = errors.New("written by a newer version")
	// ErrBacklog: nothing can be written and the memory set aside for waiting
	// scans is used up. The batch was not taken; try again later.
	ErrBacklog = errors.New("storage does not take data and the backlog is full")
	// ErrDiskFull: less than Options.ReserveBytes is free. Seen in Stats, where
	// what the operating system says of a full disk may be mere text.
	ErrDiskFull = errors.New("the disk is full")
	// ErrDamaged: bytes that fail their checksum or make no sense.
	ErrDamaged = errors.New("damaged data")
	// ErrDropped: raw readings were dropped (see DropRawDay) while they were
	// being read.
	ErrDropped = errors.New("raw readings were dropped while they were read")
	// ErrUnknown: a group or channel that was never registered.
	ErrUnknown = errors.New("not registered")
)

// Options are what Open needs besides the directory. The zero value works.
type Options struct {
	// Clock gives the time of segments and events; nil: the system clock.
	Clock scan.Clock
	// SyncEvery is the longest time a scan waits for its sync; 0: one second.
	SyncEvery time.Duration
	// Summariser may be nil: then there are no pieces, and a later Open with
	// one makes them from raw.
	Summariser Summariser
	// Log may be nil.
	Log *slog.Logger
	// SegmentBytes is the size at which a journal file is followed by the
	// next one; 0: 8 MiB.
	SegmentBytes int64
	// BacklogBytes bounds the journal bytes that wait in memory while the disk
	// does not take them; 0: 64 MiB. Beyond it Append returns ErrBacklog.
	BacklogBytes int64
	// ReserveBytes of the disk are left free: below that the journal takes
	// nothing more, so that there is room for the seal that gives the
	// journal's own space back. 0: 32 MiB; negative: none.
	ReserveBytes int64
	// TailValues is the number of unsealed values at which a seal is made
	// before the hour is over; 0: 2 million.
	TailValues int
	// FS is the file system beside the database; nil: the machine's own.
	FS FS
	// Import, where set, opens a store for an import. nil: for recording.
	Import *Importing
	// CommitFault is a test's failure of a commit of the database, whose
	// writes bbolt does itself: asked before a commit, and with last set at
	// its last sync, which finds the commit done. nil: none.
	CommitFault func(last bool) error

	// tap hears of what bbolt does to a file: tests of power cuts need to see
	// each commit, since bbolt itself writes to real files only.
	tap func(name string) bolt.Logger
}

func (o Options) withDefaults() Options {
	if o.Clock == nil {
		o.Clock = scan.NewSystemClock()
	}
	if o.SyncEvery <= 0 {
		o.SyncEvery = time.Second
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.SegmentBytes <= 0 {
		o.SegmentBytes = 8 << 20
	}
	if o.BacklogBytes <= 0 {
		o.BacklogBytes = 64 << 20
	}
	if o.ReserveBytes == 0 {
		o.ReserveBytes = 32 << 20
	}
	if o.TailValues <= 0 {
		o.TailValues = 2_000_000
	}
	// a block must stay decodable: a quarter leaves room for the last batch
	o.TailValues = min(o.TailValues, maxBlockValues/4)
	if o.FS == nil {
		o.FS = osFS{}
	}
	return o
}

// WhyStart is Segment.Why of the first segment of a run of the agent: what is
// of one run has one monotonic clock.
const WhyStart = "agent start"

// Segment is one recording segment: what lies between a start of the agent or
// a step of the wall clock and the next one. Durations hold within it.
type Segment struct {
	Number      uint32
	StartWallMS int64
	StartMonoMS int64
	FirstSeq    uint64 // sequence number of its first scan, if it has one
	BootID      string // of the operating system; empty where it has none
	Why         string // WhyStart, "clock step", "time went back", WhyImport, WhyUndone
	// Untrusted: the clock was not set when the segment began.
	Untrusted bool
	// BootMS is how long after the start of the computer it began, where Booted.
	// It is kept of untrusted segments alone.
	Booted bool
	BootMS int64
	// ShiftMS is what to add to the wall times of the segment to have the
	// right ones, known since the clock was set; 0: nothing.
	ShiftMS int64
}

// ScanQuery says which scans to read. The window is half open, of wall time.
type ScanQuery struct {
	Devices []string // empty: all
	FromMS  int64    // Unix ms UTC; 0: no bound
	ToMS    int64    // Unix ms UTC; 0: no bound
	FromSeq uint64   // first sequence number wanted; 0: all
}

// Series is one channel over a window, in cells of one width.
type Series struct {
	Channel string
	Unit    string
	// StepMS is the width of a cell; 0 means raw: one cell a good value.
	StepMS int64
	// FromMS and ToMS are the window asked for, moved out to the edges of the
	// cells; half open.
	FromMS, ToMS int64
	Cells        []Cell
	// RawDropped is true where the cells are wider than asked for, because raw
	// scans of the window are no longer kept.
	RawDropped bool
}

// Stats are the store's own figures.
type Stats struct {
	DirectoryBytes int64 // all files in the data directory
	DatabaseBytes  int64
	JournalBytes   int64
	WaitingBytes   int64 // journal bytes in memory that are not yet safe
	Blocks         int64
	BlockBytes     int64
	FreePages      int   // of the database, will be reused
	FreePageBytes  int64 // size of those
	Cleanup        Cleanup
	LastSeq        uint64
	DurableSeq     uint64
	SealedSeq      uint64
	OldestMS       int64  // wall time of the oldest scan; 0 if there is none
	NewestMS       int64  // wall time of the newest scan; 0 if there is none
	FreeBytes      int64  // of the disk, for this user; -1: not known
	SyncError      string // of the last sync, empty when it succeeded
	SealError      string // of the last seal, empty when it succeeded
	// Trouble is the error behind SyncError, or else SealError: it wraps
	// ErrDiskFull where little is free, whatever the system calls it.
	Trouble error
	// StalledMS is how long the disk has been at a write or sync that has not
	// come back, 0 when none runs for longer than usual.
	StalledMS int64
}
