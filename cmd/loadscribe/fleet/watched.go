package fleet

import (
	"context"
	"fmt"
	"maps"
	"strings"
	"sync"

	"loadscribe/agent/publish/remote"
)

// watched is a Source that knows what it gave and when it had nothing more.
type watched struct {
	source remote.Source
	keep   bool
	told   chan struct{} // something was asked for

	mu     sync.Mutex // protects all below
	asks   int64      // calls of Next that began
	idle   int64      // the last of them that found nothing
	number int64
	all    map[string]map[int64]float64
}

// Next implements remote.Source.
func (w *watched) Next(ctx context.Context, after, until remote.Position, most int) (remote.Batch, bool, error) {
	w.mu.Lock()
	w.asks++
	ask := w.asks
	w.mu.Unlock()
	batch, more, err := w.source.Next(ctx, after, until, most)
	w.mu.Lock()
	if err == nil && !more && len(batch.Series) == 0 {
		w.idle = ask
	}
	w.count(batch.Series)
	w.mu.Unlock()
	select {
	case w.told <- struct{}{}:
	default:
	}
	return batch, more, err
}

func (w *watched) count(series []remote.Series) {
	for _, s := range series {
		w.number += int64(len(s.Samples))
		if !w.keep {
			continue
		}
		name := Name(s.Labels)
		if w.all == nil {
			w.all = map[string]map[int64]float64{}
		}
		if w.all[name] == nil {
			w.all[name] = map[int64]float64{}
		}
		for _, v := range s.Samples {
			w.all[name][v.TimeMS] = v.Value
		}
	}
}

// asked is how often Next was called.
func (w *watched) asked() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.asks
}

// idleSince reports whether a call after that one found nothing.
func (w *watched) idleSince(ask int64) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.idle > ask
}

func (w *watched) given() (map[string]map[int64]float64, int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return maps.Clone(w.all), w.number
}

// Name is a series as text: name{label="value",…}, labels in their order.
func Name(labels []remote.Label) string {
	name, rest := "", []string{}
	for _, l := range labels {
		if l.Name == remote.NameLabel {
			name = l.Value
		} else {
			rest = append(rest, fmt.Sprintf("%s=%q", l.Name, l.Value))
		}
	}
	return name + "{" + strings.Join(rest, ",") + "}"
}
