package messenger

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// proxyEnv makes this test program send a message by way of a proxy on this computer.
const proxyEnv = "LOADSCRIBE_MESSENGER_PROXY"

// TestPlainProxy: a proxy on this computer does not lead plain HTTP out of it. The
// environment is read once in a process, hence the second one.
func TestPlainProxy(t *testing.T) {
	if os.Getenv(proxyEnv) != "" {
		m := message("a")
		_, err := hookAt(t, "http://192.0.2.1:9/", nil).Deliver(t.Context(), &m, 0)
		if held := new(Held); !errors.As(err, &held) || !strings.Contains(held.Why, "use https") {
			t.Errorf("got %v", err)
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
