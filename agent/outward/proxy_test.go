package outward

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// proxyEnv makes this test program ask by way of a proxy on this computer.
const proxyEnv = "LOADSCRIBE_OUTWARD_PROXY"

// TestPlainProxy: a proxy on this computer does not lead plain HTTP out of it, and is
// asked for the rest. The environment is read once in a process, hence the second one.
func TestPlainProxy(t *testing.T) {
	if os.Getenv(proxyEnv) != "" {
		askBeyond(t)
		return
	}
	var through []string
	proxy := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		through = append(through, r.Method+" "+r.Host)
		w.WriteHeader(http.StatusForbidden)
	}))
	cmd := exec.Command(os.Args[0], "-test.run=^TestPlainProxy$")
	cmd.Env = append(os.Environ(), proxyEnv+"=1", "HTTP_PROXY="+proxy.URL, "http_proxy="+proxy.URL,
		"HTTPS_PROXY="+proxy.URL, "https_proxy="+proxy.URL, "NO_PROXY=", "no_proxy=")
	out, err := cmd.CombinedOutput()
	proxy.Close() // which waits for its requests
	if got := strings.Join(through, ", "); err != nil || got != "CONNECT 192.0.2.1:9" {
		t.Errorf("%v; through the proxy: %q\n%s", err, got, out)
	}
}

// askBeyond asks an address that is not this computer's (RFC 5737), plain and not.
func askBeyond(t *testing.T) {
	for address, want := range map[string]string{"http://192.0.2.1:9/": "use https", "HTTP://192.0.2.1:9/": "use https", "https://192.0.2.1:9/": "Forbidden"} {
		u, err := url.Parse(address)
		if err != nil {
			t.Fatal(err)
		}
		transport := Transport(u, nil)
		answer, err := (&http.Client{Transport: transport}).Get(address)
		if err == nil {
			answer.Body.Close()
		}
		fault := new(Fault)
		if err == nil || !strings.Contains(err.Error(), want) || errors.As(err, &fault) != (want == "use https") {
			t.Errorf("%s: got %v, want %q", address, err, want)
		}
		transport.CloseIdleConnections()
	}
}
