package samples

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"loadscribe/agent/publish/remote"
	"loadscribe/agent/scan"
)

// positionVersion is the layout of a Position.
const positionVersion = 1

// state is all that what follows depends on beside the record and the site: as JSON
// it is a Position.
type state struct {
	Version int    `json:"v"`
	Store   string `json:"store"`  // identity of the record
	Undone  string `json:"undone"` // segments of imports that were undone
	At      mark   `json:"at"`     // last scan that was read
	// The cell that is open, and its last scan, with the latest time of its segment.
	Open bool  `json:"open"`
	Cell int64 `json:"cell"`
	Last mark  `json:"last"`
	// Tracks are in the order in which they were made.
	Tracks []*track `json:"tracks"`
	Day    string   `json:"day"`  // local date of the last quiet demand
	Fold   []byte   `json:"fold"` // of the Folder, after At
	// Since the beginning.
	LeftOut map[string]int64 `json:"left_out"`
	Missed  int64            `json:"missed"`

	tracks map[string]*track
}

// mark is a scan by which the record is known again. The time is as labelled when the
// scan was read.
type mark struct {
	Seq     uint64 `json:"seq"`
	Segment uint32 `json:"segment"`
	MonoMS  int64  `json:"mono_ms"`
	WallMS  int64  `json:"wall_ms"`
	Device  string `json:"device"`
}

func markOf(sc *scan.Scan) mark {
	return mark{sc.Seq, sc.Segment, sc.MonoMS, sc.WallMS, sc.Group.Device}
}

func newState(id string) *state {
	return &state{Version: positionVersion, Store: id, LeftOut: map[string]int64{}, tracks: map[string]*track{}}
}

func (st *state) place() Place {
	return Place{Seq: st.At.Seq, WallMS: st.At.WallMS, LeftOut: maps.Clone(st.LeftOut), Missed: st.Missed}
}

func (st *state) encode() (remote.Position, error) {
	for _, t := range st.Tracks {
		t.fix()
	}
	return json.Marshal(st)
}

var errPosition = errors.New("this is no place in a record")

// decode reads a Position; nil of an empty one.
func decode(p remote.Position) (*state, error) {
	if len(p) == 0 {
		return nil, nil
	}
	st := newState("")
	st.Version = 0
	if err := json.Unmarshal(p, st); err != nil {
		return nil, fmt.Errorf("%w: %w", errPosition, err)
	}
	if st.Version != positionVersion {
		return nil, fmt.Errorf("%w: version %d", errPosition, st.Version)
	}
	if st.LeftOut == nil {
		st.LeftOut = map[string]int64{}
	}
	for _, t := range st.Tracks {
		if t == nil || !validLabels(t.Labels) || st.tracks[t.key()] != nil {
			return nil, fmt.Errorf("%w: a series without a name of its own", errPosition)
		}
		st.tracks[t.key()] = t
	}
	return st, nil
}

// validLabels reports whether a series may have these labels: sorted, none twice,
// nothing empty.
func validLabels(labels []remote.Label) bool {
	return len(labels) > 0 && !slices.ContainsFunc(labels, func(l remote.Label) bool { return l.Name == "" || l.Value == "" }) &&
		slices.IsSortedFunc(labels, func(a, b remote.Label) int {
			if a.Name == b.Name {
				return 1
			}
			return strings.Compare(a.Name, b.Name)
		})
}
