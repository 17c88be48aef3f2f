package main

import (
	"bytes"
	"fmt"
	"net/http"
	"os/exec"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/peers"
)

// scraped returns /metrics, and the value of one series in it, as written; "" where
// it is absent.
func scraped(t *testing.T, address, series string) (value, all string) {
	t.Helper()
	status, all := tryGet("http://" + address + "/metrics")
	if status != http.StatusOK {
		t.Fatalf("/metrics answers %d: %s", status, all)
	}
	for line := range strings.Lines(all) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			return strings.TrimSpace(rest), all
		}
	}
	return "", all
}

// TestReadyAndMetrics follows an agent whose only line comes up after it, and
// dies: healthz, readyz and the metrics say so. promtool, of an independent
// implementation of the exposition format, checks what is scraped.
func TestReadyAndMetrics(t *testing.T) {
	const (
		pressure = `loadscribe_pressure_pascals{machine="comp1",role="discharge_pressure"}`
		up       = `loadscribe_device_up{device="controller"}`
	)
	address := fmt.Sprintf("127.0.0.1:%d", peers.FreePort(t))
	dir := t.TempDir()
	site := writeSite(t, dir, netLine(address))
	u := start(t, "run", "--site", site)
	pages := agentAt(t, dir) // which answers /healthz
	eventually(t, "a readyz that says why not", 10*time.Second, func() bool {
		status, body := tryGet("http://" + pages + "/readyz")
		return status == http.StatusServiceUnavailable && strings.HasPrefix(body, `not ready: no device answers: line "net" is down`)
	})
	if v, _ := scraped(t, pages, pressure); v != "" {
		t.Errorf("pressure is %s though nothing was ever read", v)
	}
	if v, _ := scraped(t, pages, up); v != "0" {
		t.Errorf("device_up is %q before anything answers", v)
	}

	plant := servePlant(t, address, nil)
	eventually(t, "a ready agent", 20*time.Second, func() bool {
		status, body := tryGet("http://" + pages + "/readyz")
		return status == http.StatusOK && body == "ok\n"
	})
	eventually(t, "a pressure", 10*time.Second, func() bool { v, _ := scraped(t, pages, pressure); return v != "" })
	v, all := scraped(t, pages, up)
	if v != "1" {
		t.Errorf("device_up is %q while it answers", v)
	}
	t.Run("promtool", func(t *testing.T) {
		cmd := exec.Command(peers.Path(t, "promtool"), "check", "metrics")
		cmd.Stdin = strings.NewReader(all)
		out, err := cmd.CombinedOutput()
		if err != nil || len(bytes.TrimSpace(out)) > 0 {
			t.Errorf("promtool check metrics: %v\n%s", err, out)
		}
	})

	plant.stop()
	eventually(t, "a pressure that vanishes", 10*time.Second, func() bool {
		pressure, _ := scraped(t, pages, pressure)
		up, _ := scraped(t, pages, up)
		return pressure == "" && up == "0"
	})
	if status, _ := tryGet("http://" + pages + "/readyz"); status != http.StatusServiceUnavailable {
		t.Errorf("/readyz answers %d though the only line is down", status)
	}
	if status, _ := tryGet("http://" + pages + "/healthz"); status != http.StatusOK {
		t.Errorf("/healthz answers %d", status)
	}
	if code := u.stop(); code != exitFine {
		t.Errorf("ended with %d", code)
	}
}
