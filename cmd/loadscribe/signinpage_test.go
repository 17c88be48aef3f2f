package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"loadscribe/dashboard/door"
	"loadscribe/testdata/peers"
)

var setUpCode = regexp.MustCompile(`set-up code (\S+)`)

// TestSignInPages signs in, lets others in and is signed out in Chromium
// (dashboard/web/e2e/signin.mjs) against an agent that asks for a sign-in over TLS,
// and is restarted under an open page. SHOTS_DIR keeps the screenshots.
func TestSignInPages(t *testing.T) {
	if testing.Short() {
		t.Skip("drives a browser; not under -short")
	}
	chromium, node, web := browserPeers(t)
	dir := t.TempDir()
	if _, err := door.OpenCertificate(door.CertificateOptions{Dir: filepath.Join(dir, "tls"), Names: []string{"localhost"}}); err != nil {
		t.Fatal(err)
	}
	site := writeSite(t, dir, netLine(servePlant(t, "127.0.0.1:0", nil).address))
	address := fmt.Sprintf("127.0.0.1:%d", peers.FreePort(t))
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	asks := "[agent]\nsign_in = \"always\"\ntls = { certificate = \"tls/certificate.pem\", key = \"tls/key.pem\" }\n"
	if !strings.Contains(string(text), "[agent]\n") {
		t.Fatalf("the site file has no [agent]:\n%s", text)
	}
	alarm := "\n[[alarm]]\nname = \"air end warm\"\non = \"temperature\"\nabove = \"1 °C\"\nafter = \"1s\"\n" // which is always so
	if err := os.WriteFile(site, []byte(strings.Replace(string(text), "[agent]\n", asks, 1)+alarm), 0o600); err != nil {
		t.Fatal(err)
	}

	blind := &http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}} // whether it is up; who it is does not matter here
	t.Cleanup(blind.CloseIdleConnections)
	run := func() *underTest {
		agent := start(t, "run", "--site", site, "--listen", address)
		eventually(t, "a ready agent", 20*time.Second, func() bool {
			answer, err := blind.Get("https://" + address + "/readyz")
			if err != nil {
				return false
			}
			answer.Body.Close()
			return answer.StatusCode == http.StatusOK
		})
		return agent
	}
	agent := run()
	var code []string
	eventually(t, "the set-up code", 5*time.Second, func() bool {
		code = setUpCode.FindStringSubmatch(agent.stdout.String() + agent.stderr.String())
		return code != nil
	})
	restarts := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		if code := agent.stop(); code != exitFine {
			t.Errorf("the agent ended with %d; stderr:\n%s", code, agent.stderr)
		}
		agent = run()
	}))
	t.Cleanup(restarts.Close)

	ctx, cancel := context.WithTimeout(t.Context(), 6*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, node, "e2e/signin.mjs")
	cmd.Dir = web
	cmd.Env = append(os.Environ(), "BASE_URL=https://"+address, "CODE="+code[1], "RESTART_URL="+restarts.URL, "CHROMIUM="+chromium)
	said := &testLines{t: t}
	cmd.Stdout, cmd.Stderr = said, said
	err = cmd.Run()
	said.rest()
	if err != nil {
		t.Errorf("the pages' checks failed: %v", err)
	}
}
