package remote

import (
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// proxyEnv makes this test program send samples by way of a proxy on this computer.
const proxyEnv = "LOADSCRIBE_REMOTE_PROXY"

// TestPlainProxy: a proxy on this computer does not lead plain HTTP out of it. The
// environment is read once in a process, hence the second one.
func TestPlainProxy(t *testing.T) {
	if os.Getenv(proxyEnv) != "" {
		a := posterFor(t, Config{URL: "http://192.0.2.1:9/"}).post(t.Context(), payload(nil))
		if a.verdict != held || !strings.Contains(a.said, "use https") {
			t.Errorf("got %+v", a)
		}
		return
	}
	through := 0
	proxy := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { through++ }))
	defer proxy.Close()
	cmd := exec.Command(os.Args[0], "-test.run=^TestPlainProxy$")
	cmd.Env = append(os.Environ(), proxyEnv+"=1", "HTTP_PROXY="+proxy.URL, "http_proxy="+proxy.URL, "NO_PROXY=", "no_proxy=")
	if out, err := cmd.CombinedOutput(); err != nil || through > 0 {
		t.Errorf("%v, %d requests through the proxy\n%s", err, through, out)
	}
}
