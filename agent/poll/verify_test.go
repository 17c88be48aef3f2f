package poll

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// expecting is a site of one unit whose map expects equals in holding register
// 77; the bus has 1077 there.
func expecting(equals int64) *sitefile.Site {
	site := siteOf(1, time.Second)
	site.Devices[0].Map.Verify = []sitefile.Expected{
		{Channel: ch("", sitefile.Holding, 76, "u16"), Equals: 1076, MapPath: "maps/a.toml"},
		{Channel: ch("", sitefile.Holding, 77, "u16"), Equals: equals, MapPath: "maps/a.toml"},
	}
	return site
}

func TestVerifyOnceAndAfterReconnect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		p := start(t, expecting(1077), Options{Dial: b.dial})
		time.Sleep(10*time.Second - time.Millisecond)
		b.with(func() {
			if b.reads != 10+1 {
				t.Errorf("%d requests for ten scans, want one more to verify", b.reads)
			}
			b.hangUp = 1
		})
		time.Sleep(10 * time.Second)
		b.with(func() {
			// The lost request, asked again after the map was verified anew.
			if b.reads != 20+1+2 {
				t.Errorf("%d requests for twenty scans with a reconnection, want three more", b.reads)
			}
		})
		p.stop()
		if c := count(p.tape.of("u1", "")); c[scan.Good] != 20 || len(c) != 1 {
			t.Errorf("got %v, want 20 good scans", c)
		}
	})
}

func TestWrongMapIsNoticed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBus(1)
		site := expecting(4820)
		p := start(t, site, Options{Dial: b.dial})
		time.Sleep(30*time.Second - time.Millisecond)
		if c := count(p.tape.of("u1", "")); c[scan.StartMismatch] != 30 || len(c) != 1 {
			t.Errorf("got %v, want a wrong map each second", c)
		}
		b.with(func() {
			if b.reads != 1 {
				t.Errorf("%d requests in half a minute, want one", b.reads)
			}
		})
		const want = `unit 1 is not what maps/a.toml describes: holding register 77 (u16) should be 4820, but is 1077: ` +
			`name the right map or unit id for device "u1", or correct "verify" in the map`
		if d := p.Status().Devices[0]; d.Up || d.LastReason != scan.StartMismatch || d.Detail != want || d.Errors[scan.StartMismatch] != 30 {
			t.Errorf("got %+v\nwant %s", d, want)
		}
		time.Sleep(45 * time.Second)
		b.with(func() {
			if b.reads != 2 {
				t.Errorf("%d requests after 75 s, want it checked again each minute", b.reads)
			}
		})
		p.stop()
	})
}

// verifyReader answers the expected registers in its own way.
type verifyReader struct {
	value uint16
	err   error
}

func (r *verifyReader) Read(_ context.Context, _ byte, req frame.ReadRequest) ([]byte, error) {
	if r.err != nil && req.Address+req.Quantity > 77 {
		return nil, r.err
	}
	var out []byte
	for a := req.Address; a < req.Address+req.Quantity; a++ {
		v := 1000 + a
		if a == 77 {
			v = r.value
		}
		out = append(out, byte(v>>8), byte(v))
	}
	return out, nil
}

func TestVerifierTellsWrongFromUnanswered(t *testing.T) {
	refused := &modbus.ExceptionError{Unit: 1, Function: frame.ReadHoldingRegisters, Code: byte(frame.IllegalDataAddress)}
	for _, tt := range []struct {
		name   string
		reader verifyReader
		want   scan.Reason
		detail string
	}{
		{"as expected", verifyReader{value: 1077}, scan.Good, ""},
		{"another value", verifyReader{value: 1}, scan.StartMismatch, "should be 1077, but is 1:"},
		{"refused", verifyReader{err: refused}, scan.StartMismatch, "should be 1077, but the device refuses it"},
		{"silent", verifyReader{err: modbus.ErrTimeout}, scan.Timeout, ""},
		{"damaged", verifyReader{err: modbus.ErrBadChecksum}, scan.BadChecksum, ""},
	} {
		site := expecting(1077)
		site.Devices[0].Map.Verify[0].Channel.Address = 10 // a request of its own
		site.Devices[0].Map.Verify[0].Equals = 1010
		v, err := newVerifier(&site.Devices[0], nil)
		if err != nil {
			t.Fatal(err)
		}
		clock := scan.NewSystemClock()
		reason, detail := v.check(t.Context(), &tt.reader, clock)
		if reason != tt.want || !strings.Contains(detail, tt.detail) || (detail == "") != (tt.detail == "") {
			t.Errorf("%s: got %v, %q", tt.name, reason, detail)
		}
		if v.differs(time.Now()) != (tt.want == scan.StartMismatch) {
			t.Errorf("%s: differs is %v", tt.name, v.differs(time.Now()))
		}
		tt.reader = verifyReader{value: 1077}
		v.forget()
		if reason, _ := v.check(t.Context(), &tt.reader, clock); reason != scan.Good && tt.name != "silent" {
			t.Errorf("%s, then as expected: got %v", tt.name, reason)
		}
	}
	// One that answers all but this is given a few tries, then named.
	site := expecting(1077)
	site.Devices[0].Map.Verify[0].Channel.Address = 10
	site.Devices[0].Map.Verify[0].Equals = 1010
	v, _ := newVerifier(&site.Devices[0], nil)
	r := &verifyReader{err: modbus.ErrTimeout}
	var reason scan.Reason
	var detail string
	for range silentRounds {
		reason, detail = v.check(t.Context(), r, scan.NewSystemClock())
	}
	if reason != scan.StartMismatch || !strings.Contains(detail, "not this one") {
		t.Errorf("silent for one register only: got %v, %q", reason, detail)
	}
}
