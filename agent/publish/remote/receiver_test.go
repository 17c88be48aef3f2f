package remote

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Steps of a receiver's script.
const (
	stepOK       = "ok"
	stepLost     = "lost"     // taken, but the answer does not come
	stepUnsent   = "unsent"   // nothing came
	stepHalf     = "taken500" // taken, but says 500
	step500      = "500"
	step503      = "503"
	step429      = "429"
	step401      = "401"
	step404      = "404"
	stepRedirect = "302"
	stepHang     = "hang"
	stepKill     = "kill"     // nothing came, and the sender's process ends here
	stepKillLate = "killlate" // taken, and the sender's process ends here
)

// receiver is one in memory that follows a script and then takes what it gets. It
// stores a request whole or not at all, as Prometheus does.
type receiver struct {
	strict    bool                 // about order, as Prometheus is
	badSeries func(string) bool    // nil: none
	badPoint  func(point) bool     // nil: none
	bound     func() int64         // older ones are out of bounds; nil: none are
	always    func() (int, string) // what it always answers; nil: it does not
	kill      func()
	phases    []phase // in which it refuses everything, one after the other

	mu       sync.Mutex
	script   []string
	points   map[point]int
	last     map[string]point
	arrivals map[string][]int64 // first arrivals of each series
	requests int
	times    []time.Time
	sizes    []int
}

func newReceiver(script ...string) *receiver {
	return &receiver{script: script, strict: true, points: map[point]int{}, last: map[string]point{}, arrivals: map[string][]int64{}}
}

var errLost = errors.New("connection reset")

// RoundTrip implements http.RoundTripper.
func (r *receiver) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	req.Body.Close()
	all, err := decodePayload(body)
	if err != nil {
		return nil, err
	}
	r.mu.Lock()
	unlock := sync.OnceFunc(r.mu.Unlock)
	defer unlock()
	r.requests++
	r.times, r.sizes = append(r.times, time.Now()), append(r.sizes, count(all))
	if r.always != nil {
		code, text := r.always()
		return reply(code, text), nil
	}
	if r.inPhase() {
		return reply(400, "no tenant"), nil
	}
	step := stepOK
	if len(r.script) > 0 {
		step, r.script = r.script[0], r.script[1:]
	}
	switch step {
	case stepUnsent:
		return nil, errLost
	case stepHang:
		unlock()
		<-req.Context().Done()
		return nil, req.Context().Err()
	case step500, step503, step401, step404, step429, stepRedirect:
		code, err := strconv.Atoi(step)
		if err != nil {
			return nil, err
		}
		return reply(code, "not now"), nil
	case stepKill:
		r.kill()
		return nil, errLost
	}
	code, text := r.take(all)
	switch step {
	case stepLost:
		return nil, errLost
	case stepHalf:
		return reply(500, "half way"), nil
	case stepKillLate:
		r.kill()
		return nil, errLost
	}
	return reply(code, text), nil
}

// phase is when a receiver refuses whatever it gets: from a request on, for some
// requests or some time, whichever is over first.
type phase struct {
	From, Requests int
	For            time.Duration
	began          time.Time
}

// inPhase reports whether the present request falls into a phase.
func (r *receiver) inPhase() bool {
	for len(r.phases) > 0 {
		p := &r.phases[0]
		if r.requests < p.From {
			return false
		}
		if p.began.IsZero() {
			p.began = time.Now()
		}
		if p.Requests--; p.Requests >= 0 && time.Since(p.began) < p.For {
			return true
		}
		r.phases = r.phases[1:]
	}
	return false
}

func reply(code int, text string) *http.Response {
	return &http.Response{StatusCode: code, Status: fmt.Sprintf("%d %s", code, http.StatusText(code)), Header: http.Header{}, Body: io.NopCloser(strings.NewReader(text))}
}

// take stores a request, or says why not. The words are Prometheus'.
func (r *receiver) take(all []Series) (int, string) {
	for _, p := range pointsOf(all) {
		last, found := r.last[p.series]
		switch {
		case r.badSeries != nil && r.badSeries(p.series):
			return 400, "label value not allowed"
		case r.badPoint != nil && r.badPoint(p):
			return 400, "value not allowed"
		case r.bound != nil && p.ms < r.bound():
			return 400, "out of bounds"
		case r.strict && found && p.ms < last.ms:
			return 400, "out of order sample"
		case r.strict && found && p.ms == last.ms && p.bits != last.bits:
			return 400, "duplicate sample for timestamp"
		}
	}
	for _, p := range pointsOf(all) {
		if r.points[p]++; r.points[p] == 1 {
			r.arrivals[p.series] = append(r.arrivals[p.series], p.ms)
		}
		r.last[p.series] = p
	}
	return 204, ""
}

// retryAfter answers 429 once, with that header.
type retryAfter struct {
	r    *receiver
	said string
}

func (a retryAfter) RoundTrip(req *http.Request) (*http.Response, error) {
	a.r.mu.Lock()
	first := a.r.requests == 0
	if first {
		a.r.script = []string{step429}
	}
	a.r.mu.Unlock()
	resp, err := a.r.RoundTrip(req)
	if err == nil && first {
		resp.Header.Set("Retry-After", a.said)
	}
	return resp, err
}

// peek is what a request holds; it can be read again.
func peek(req *http.Request) ([]Series, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	req.Body = io.NopCloser(bytes.NewReader(body))
	return decodePayload(body)
}

// atMost refuses requests of more samples than that.
type atMost struct {
	r    *receiver
	most int
}

func (a atMost) RoundTrip(req *http.Request) (*http.Response, error) {
	all, err := peek(req)
	if err != nil {
		return nil, err
	}
	if count(all) > a.most {
		a.r.mu.Lock()
		a.r.requests++
		a.r.mu.Unlock()
		return reply(413, "too large"), nil
	}
	return a.r.RoundTrip(req)
}

// onlyOnce refuses what its receiver has, and what that refuses in the word "no".
type onlyOnce struct {
	r     *receiver
	words string
}

func (o onlyOnce) RoundTrip(req *http.Request) (*http.Response, error) {
	all, err := peek(req)
	if err != nil {
		return nil, err
	}
	o.r.mu.Lock()
	for _, p := range pointsOf(all) {
		if o.r.points[p] > 0 {
			o.r.mu.Unlock()
			return reply(400, o.words), nil
		}
	}
	o.r.mu.Unlock()
	resp, err := o.r.RoundTrip(req)
	if err == nil && resp.StatusCode == 400 {
		return reply(400, "no"), nil
	}
	return resp, err
}

// wordy puts a number and a time into each refusal, as many receivers do.
type wordy struct{ r *receiver }

func (w wordy) RoundTrip(req *http.Request) (*http.Response, error) {
	resp, err := w.r.RoundTrip(req)
	if err != nil || resp.StatusCode != 400 {
		return resp, err
	}
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil, err
	}
	return reply(400, fmt.Sprintf(`{"id":"%x-%x","at":"%s","error":"%s"}`, time.Now().UnixNano(), len(w.r.times)*7919, time.Now().Format(time.RFC3339Nano), text)), nil
}
