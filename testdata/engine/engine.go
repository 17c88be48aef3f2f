// Package engine is a receiver of remote write in memory, for tests alone. It decodes
// requests by the published schema, with nothing of the sender's code.
package engine

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"strings"
	"sync"

	"github.com/klauspost/compress/s2"
	"google.golang.org/protobuf/encoding/protowire"
)

// Engine keeps what it takes by series and stamp. It is an http.RoundTripper. A series
// is named by its labels' names and values in their order, each followed by a space.
type Engine struct {
	// Tell, where it is set before use, is told of each sample that is newer than all
	// before it of its series, instead of keeping them.
	Tell func(series string, atMS int64, value float64)

	mu     sync.Mutex // protects all below
	status int
	got    map[string]map[int64]float64
	last   map[string]int64
	wrong  []string
}

// New makes an Engine that answers with a status. 204 takes all; 0 does not answer at
// all; any other refuses.
func New(status int) *Engine {
	return &Engine{status: status, got: map[string]map[int64]float64{}, last: map[string]int64{}}
}

// Set changes the status.
func (e *Engine) Set(status int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.status = status
}

// Count is how many samples there are, each once.
func (e *Engine) Count() (n int) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, s := range e.got {
		n += len(s)
	}
	return n
}

// Samples are those of a series by stamp, in Unix ms; the caller owns them.
func (e *Engine) Samples(series string) map[int64]float64 {
	e.mu.Lock()
	defer e.mu.Unlock()
	all := map[int64]float64{}
	for at, v := range e.got[series] {
		all[at] = v
	}
	return all
}

// Wrong is what was not as remote write wants it: stamps that fall behind, say.
func (e *Engine) Wrong() []string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return append([]string(nil), e.wrong...)
}

// RoundTrip implements http.RoundTripper.
func (e *Engine) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	e.mu.Lock()
	status := e.status
	e.mu.Unlock()
	switch status {
	case 0:
		<-r.Context().Done()
		return nil, r.Context().Err()
	case http.StatusNoContent:
		e.take(body)
	}
	return &http.Response{StatusCode: status, Status: fmt.Sprint(status), Body: io.NopCloser(strings.NewReader("no")), Header: http.Header{}, Request: r}, nil
}

// take decodes a request (remote write 1.0: WriteRequest {timeseries 1}, TimeSeries
// {labels 1, samples 2}, Label {name 1, value 2}, Sample {value 1 double, timestamp 2}).
func (e *Engine) take(body []byte) {
	e.mu.Lock()
	defer e.mu.Unlock()
	raw, err := s2.Decode(nil, body)
	if err != nil {
		e.wrong = append(e.wrong, err.Error())
	}
	fields(raw, func(_ protowire.Number, series []byte, _ uint64) { e.series(series) })
}

func (e *Engine) series(series []byte) {
	key, last := "", int64(math.MinInt64)
	fields(series, func(n protowire.Number, b []byte, _ uint64) {
		if n == 1 {
			fields(b, func(_ protowire.Number, text []byte, _ uint64) { key += string(text) + " " })
			return
		}
		var value float64
		var at int64
		fields(b, func(n protowire.Number, _ []byte, v uint64) {
			if n == 1 {
				value = math.Float64frombits(v)
			} else {
				at = int64(v)
			}
		})
		_, again := e.got[key][at]
		if e.Tell != nil {
			if again = at <= e.last[key]; !again {
				e.Tell(key, at, value)
			}
			last, e.last[key] = at, max(at, e.last[key])
			return
		}
		if at <= last || at < e.last[key] && !again {
			e.wrong = append(e.wrong, fmt.Sprintf("%s: %d behind %d", key, at, e.last[key]))
		}
		if e.got[key] == nil {
			e.got[key] = map[int64]float64{}
		}
		last, e.last[key], e.got[key][at] = at, max(at, e.last[key]), value
	})
}

// fields calls fn for each field of a message.
func fields(b []byte, fn func(n protowire.Number, bytes []byte, number uint64)) {
	for len(b) > 0 {
		n, kind, size := protowire.ConsumeTag(b)
		if b = b[max(size, 0):]; size < 0 {
			return
		}
		var value []byte
		var number uint64
		switch kind {
		case protowire.BytesType:
			value, size = protowire.ConsumeBytes(b)
		case protowire.Fixed64Type:
			number, size = protowire.ConsumeFixed64(b)
		default:
			number, size = protowire.ConsumeVarint(b)
		}
		if size < 0 {
			return
		}
		fn(n, value, number)
		b = b[size:]
	}
}
