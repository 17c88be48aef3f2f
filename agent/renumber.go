package agent

import (
	"errors"
	"maps"
	"strconv"

	"loadscribe/agent/store"
)

// renumbered takes events of another store over. They get numbers of their own
// here, so that what one of them says of another by its number goes along. It
// holds the new numbers by the old ones.
type renumbered map[string]string

// keep takes an event over; those that it names came before. One that takes
// back a test that is not here says nothing, and is left out.
func (r renumbered) keep(to *store.Store, e store.Event) error {
	was := strconv.FormatUint(e.Seq, 10)
	e.Seq, e.Data = 0, maps.Clone(e.Data)
	for _, key := range []string{"corrects", "withdraws"} {
		if e.Data[key] == "" {
			continue
		}
		now, known := r[e.Data[key]]
		switch {
		case known:
			e.Data[key] = now
		case key == "withdraws":
			return nil
		default:
			delete(e.Data, key)
		}
	}
	kept, err := to.AppendEvent(e)
	if errors.Is(err, store.ErrBacklog) {
		if err = to.Sync(); err == nil {
			kept, err = to.AppendEvent(e)
		}
	}
	r[was] = strconv.FormatUint(kept.Seq, 10)
	return err
}
