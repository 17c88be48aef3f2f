package remote

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"strconv"
	"testing"
	"time"

	"github.com/klauspost/compress/s2"
	"google.golang.org/protobuf/encoding/protowire"

	"loadscribe/testdata/peers"
)

// loses passes requests on and loses the answers of some, by their number.
type loses struct {
	n    int
	lost map[int]bool
}

func (l *loses) RoundTrip(req *http.Request) (*http.Response, error) {
	resp, err := http.DefaultTransport.RoundTrip(req)
	if l.n++; err == nil && l.lost[l.n] {
		resp.Body.Close()
		return nil, errLost
	}
	return resp, err
}

// TestPrometheus sends to Debian's Prometheus, which is stopped and started in the
// middle, as is the sender, and loses answers. What it has in the end, read back over
// its remote read interface, is what the source gave, bit by bit, stale markers too.
func TestPrometheus(t *testing.T) {
	p := peers.Prometheus(t, "", "--web.enable-remote-write-receiver", "--storage.tsdb.retention.time=100y")
	source := &scans{series: 8}
	dir := t.TempDir()
	start := func(lost ...int) (s *Sender, stop func()) {
		losing := &loses{lost: map[int]bool{}}
		for _, n := range lost {
			losing.lost[n] = true
		}
		s, err := Open(dir, Config{Name: "peer", URL: p.URL + "/api/v1/write"}, source,
			Options{Transport: losing, MostSamples: 200, Every: 20 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		wait := running(ctx, t, s)
		return s, func() { cancel(); wait() }
	}
	sent := func(s *Sender) func(State) bool {
		return func(State) bool {
			at, _, _ := s.position()
			source.mu.Lock()
			defer source.mu.Unlock()
			return string(at) == strconv.Itoa(source.scans)
		}
	}
	source.add(100)
	s, stop := start(2)
	until(t, s, "first", sent(s))
	if s.State().There == 0 {
		t.Errorf("a lost answer, and nothing found there: %+v", s.State())
	}
	if err := p.Stop(); err != nil {
		t.Fatal(err)
	}
	source.add(100)
	until(t, s, "away", func(now State) bool { return now.FailingSinceMS > 0 })
	stop()
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	s, stop = start(1)
	defer stop()
	until(t, s, "again", sent(s))
	if state := s.State(); state.SetAside != 0 {
		t.Errorf("set aside: %+v", state)
	}
	got, want := map[point]bool{}, source.points(0)
	for _, at := range pointsOf(readBack(t, p)) {
		if got[at] {
			t.Errorf("%v is there twice", at)
		}
		got[at] = true
		if !want[at] {
			t.Errorf("%v was never given", at)
		}
	}
	for at := range want {
		if !got[at] {
			t.Errorf("%v is not there", at)
		}
	}
	endsAtStale(t, p, source)
}

// until waits for a state of a sender.
func until(t *testing.T, s *Sender, what string, done func(State) bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !done(s.State()); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%s: %+v", what, s.State())
		}
	}
}

// endsAtStale: a series has no value from its stale marker on, and one before it.
func endsAtStale(t *testing.T, p *peers.PrometheusServer, source *scans) {
	t.Helper()
	const scan = 5 // series 0 is stale in it, for 5 % 11 is 5
	if pointsOf(source.at(scan))[0].bits != StaleBits {
		t.Fatal("the source gives no stale marker where this test looks")
	}
	for at, want := range map[int]int{scan - 1: 1, scan: 0} {
		found, err := p.Query(t.Context(), "loadscribe_reading_000", time.UnixMilli(firstMS+int64(at)*1000))
		if err != nil || len(found) != want {
			t.Errorf("scan %d: %v, %v", at, found, err)
		}
	}
}

// readBack is all that a Prometheus has of ours, by remote read:
// ReadRequest{queries=1}, Query{start=1, end=2, matchers=3}, LabelMatcher{type=1,
// name=2, value=3}; ReadResponse{results=1}, QueryResult{timeseries=1}.
func readBack(t *testing.T, p *peers.PrometheusServer) []Series {
	t.Helper()
	matcher := protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.VarintType), 2) // a pattern
	matcher = protowire.AppendString(protowire.AppendTag(matcher, 2, protowire.BytesType), NameLabel)
	matcher = protowire.AppendString(protowire.AppendTag(matcher, 3, protowire.BytesType), "loadscribe_.*")
	query := protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.VarintType), firstMS-1)
	query = protowire.AppendVarint(protowire.AppendTag(query, 2, protowire.VarintType), firstMS+1_000_000_000)
	query = protowire.AppendBytes(protowire.AppendTag(query, 3, protowire.BytesType), matcher)
	request := protowire.AppendBytes(protowire.AppendTag(nil, 1, protowire.BytesType), query)
	resp, err := http.Post(p.URL+"/api/v1/read", contentType, bytes.NewReader(s2.EncodeSnappy(nil, request)))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v", resp.Status, body, err)
	}
	http.DefaultTransport.(*http.Transport).CloseIdleConnections()
	message, err := s2.Decode(nil, body)
	if err != nil {
		t.Fatal(err)
	}
	var all []Series
	err = fields(message, func(_ protowire.Number, _ protowire.Type, _ uint64, result []byte) error {
		some, err := decodeSeries(result)
		all = append(all, some...)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}
