package replay

import (
	"context"

	"loadscribe/agent/quantity"
	"loadscribe/agent/replay/engine"
)

// Search plays every combination of a spec and evaluates the front beside the
// alternatives that are asked for by name: Answer.Search. The error is a *RequestError,
// or ctx's.
func (st *Study) Search(ctx context.Context, spec SearchSpec, named []Alternative, progress func(done, total int)) (Answer, error) {
	if st.rec.Absent != "" {
		if _, err := spec.grid(); err != nil {
			return Answer{}, err
		}
		return st.Evaluate(ctx, named, progress)
	}
	return searchOver(ctx, st, spec, named, progress)
}

func (st *Study) plantOf(set []Setting) (*engine.Plant, []engine.Stretch, error) {
	a, err := st.Apply(Alternative{Set: set})
	for i := range a.Demand { // only what is equal: a plant that is off at night
		a.Demand[i].Segments = engine.MergeSegments(a.Demand[i].Segments, 0)
	}
	return &a.Plant, a.Demand, err
}

func (st *Study) display() quantity.System { return st.site.Units }
