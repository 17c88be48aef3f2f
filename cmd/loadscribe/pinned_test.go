package main

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"loadscribe/agent"
	"loadscribe/dashboard/door"
)

// A program that took the agent's port when that had ended, with a certificate of its
// own, is not told the secret of local commands; the agent is.
func TestTheSecretIsForTheAgentAlone(t *testing.T) {
	var asked atomic.Int64
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		w.WriteHeader(http.StatusOK)
	}))
	defer server.Close()
	right := door.Fingerprint(server.Certificate().Raw)
	wrong := strings.Map(func(r rune) rune {
		if r == '0' {
			return '1'
		}
		return r
	}, "00"+right[2:])
	if wrong == right {
		t.Fatal("both fingerprints are the same")
	}
	for fingerprint, want := range map[string]int64{right: 1, wrong: 0, "": 0} {
		asked.Store(0)
		in := agent.Instance{Address: strings.TrimPrefix(server.URL, "https://"), Scheme: "https", Fingerprint: fingerprint, Secret: "0123abcd"}
		client := pinned(in)
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, server.URL+"/healthz", nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Authorization", "Bearer "+in.Secret)
		answer, err := client.Do(request)
		if err == nil {
			answer.Body.Close()
		}
		client.CloseIdleConnections()
		if asked.Load() != want || (err == nil) != (want == 1) {
			t.Errorf("fingerprint %q: %d requests came (%v), want %d", fingerprint, asked.Load(), err, want)
		}
	}
}
