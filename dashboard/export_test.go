package dashboard

import (
	"bufio"
	"net/http"
	"testing"
)

// An export whose client has gone, or that is cut by the end, ends its handler.
func TestBrokenExportIsCut(t *testing.T) {
	b := newShop()
	for range 5000 { // more than fits the buffer, so that the header is out
		b.scans = append(b.scans, b.scans[0])
	}
	b.groups = b.groups[:1] // the wide layout then meets a group it does not know
	b.scans = append(b.scans, newShop().scans[2])
	for i := range b.scans {
		b.scans[i].Seq, b.scans[i].WallMS = uint64(i+1), noon+int64(i)*1000
	}
	b.scans[1] = b.scans[0]
	b.scans[2] = b.scans[0]
	r := run(t, newTestServer(t, b, Options{}))
	resp, err := http.Get("http://" + r.addr + "/api/v1/export?from=-1h&layout=wide")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := 0
	for scanner := bufio.NewScanner(resp.Body); ; lines++ {
		if !scanner.Scan() {
			err = scanner.Err()
			break
		}
	}
	if err == nil || lines < 1000 {
		t.Errorf("a broken export ended in order after %d lines", lines)
	}
	http.DefaultClient.CloseIdleConnections()
}
