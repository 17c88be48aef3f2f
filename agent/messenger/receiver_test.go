package messenger

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"testing"

	"loadscribe/testdata/peers"
)

// TestReceiver runs the receiver's check that the docs print, by Python's own
// hashes, on what a webhook posts: genuine as it came, not when one part differs.
func TestReceiver(t *testing.T) {
	python, err := exec.LookPath("/usr/bin/python3")
	if err != nil {
		peers.Missing(t, "Python is not installed: %v", err)
	}
	docs, err := os.ReadFile("../../docs/alarm-messages.md")
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(strings.ReplaceAll(string(docs), "\r\n", "\n"), "```python\n")
	check, _, found := strings.Cut(after, "```\n")
	if !found {
		t.Fatal("the docs have no check in Python")
	}
	headers := map[string]string{}
	var body []byte
	url := serve(t, func(_ http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		for name := range r.Header {
			headers[strings.ToLower(name)] = r.Header.Get(name)
		}
	})
	m := message("alarm-17")
	if _, err := hookAt(t, url, nil).Deliver(t.Context(), &m, 0); err != nil {
		t.Fatal(err)
	}
	given, err := json.Marshal(map[string]any{"headers": headers, "body": string(body), "secret": goodSecret})
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", check+`
import json, sys
g = json.load(sys.stdin)
h, body, secret = g["headers"], g["body"].encode(), g["secret"]
print(genuine(h, body, secret), genuine(h, body + b" ", secret), genuine({**h, "webhook-id": "x"}, body, secret),
      genuine({**h, "webhook-timestamp": str(int(h["webhook-timestamp"]) + 1)}, body, secret), genuine(h, body, secret[:-4] + "AAAA"),
      genuine({**h, "webhook-signature": "v1,AAAA " + h["webhook-signature"]}, body, secret))
`)
	cmd.Stdin = strings.NewReader(string(given))
	out, err := cmd.CombinedOutput()
	if want := "True False False False False True\n"; err != nil || string(out) != want {
		t.Errorf("got %s%v, want %s", out, err, want)
	}
}

// TestShownMessage: the message that the docs show has every field of a real one, in
// their order, and no other.
func TestShownMessage(t *testing.T) {
	docs, err := os.ReadFile("../../docs/alarm-messages.md")
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(strings.ReplaceAll(string(docs), "\r\n", "\n"), "```json\n")
	shown, _, found := strings.Cut(after, "```\n")
	if !found {
		t.Fatal("the docs show no message")
	}
	var p posted
	if err := json.Unmarshal([]byte(shown), &p); err != nil {
		t.Fatal(err)
	}
	again, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var want bytes.Buffer
	if err := json.Compact(&want, []byte(shown)); err != nil || string(again) != want.String() {
		t.Errorf("the docs show\n%s\nand such a message is\n%s (%v)", want.String(), again, err)
	}
}
