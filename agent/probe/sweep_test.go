package probe

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

// TestSweepFindsEachSetting: a device with any of five speeds and three
// parities is found without being told anything but that it exists, within the
// bound that was announced, and never under settings that garble it.
func TestSweepFindsEachSetting(t *testing.T) {
	for _, baud := range []int{9600, 19200, 38400, 57600, 115200} {
		for _, parity := range []byte("NEO") {
			setting := modbus.Serial{Baud: baud, DataBits: 8, Parity: parity, StopBits: 1}
			t.Run(setting.String(), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := &benchLine{setting: setting, unit: 3, answer: registers(1), seed: uint64(baud) + uint64(parity)}
					plan := NewPlan(Wish{Framing: modbus.RTU})
					begun := time.Now()
					swept, err := Sweep(context.Background(), b.line(), plan, 0, nil)
					b.wait.Wait()
					if err != nil {
						t.Fatal(err)
					}
					if len(swept.Found) != 1 || swept.Found[0].Serial != setting || swept.Found[0].Unit != 3 {
						t.Fatalf("found %+v", swept.Found)
					}
					if took, most := time.Since(begun), plan.Longest(plan.Likely); took > most {
						t.Errorf("took %v, announced were %v for the likely tries", took, most)
					}
				})
			})
		}
	}
}

func TestSweepNamedFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		setting := modbus.Serial{Baud: 31250, DataBits: 8, Parity: 'O', StopBits: 2}
		b := &benchLine{setting: setting, unit: 77, answer: registers(1)}
		plan := NewPlan(Wish{Framing: modbus.RTU, Settings: []modbus.Serial{setting}, Units: []byte{77}})
		swept, err := Sweep(context.Background(), b.line(), plan, 0, nil)
		b.wait.Wait()
		if err != nil || swept.Tried != 1 || len(swept.Found) != 1 || swept.Found[0].Setting != "31250 8O2" {
			t.Errorf("tried %d, found %+v, %v", swept.Tried, swept.Found, err)
		}
	})
}

// TestSweepKeepsItsBound: on a line without a device the sweep ends when its
// time is over, not before the tries that were promised, and no try takes
// longer than the plan says.
func TestSweepKeepsItsBound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &benchLine{setting: modbus.Serial{Baud: 1}, unit: 1, answer: registers(1)}
		plan := NewPlan(Wish{Framing: modbus.RTU})
		const limit = 40 * time.Second
		begun := time.Now()
		swept, err := Sweep(context.Background(), b.line(), plan, limit, nil)
		took := time.Since(begun)
		b.wait.Wait()
		if err != nil || len(swept.Found) != 0 || swept.Ended == "" {
			t.Fatalf("%+v, %v", swept, err)
		}
		if took < limit || took > limit+2*time.Second {
			t.Errorf("took %v with a limit of %v", took, limit)
		}
		if fit := plan.Within(limit); swept.Tried < fit || fit < 50 {
			t.Errorf("%d tries, %d were promised", swept.Tried, fit)
		}
		if most := plan.Longest(swept.Tried); took > most {
			t.Errorf("%d tries took %v, longer than %v", swept.Tried, took, most)
		}
	})
}

func TestPlanCoversEverything(t *testing.T) {
	plan := NewPlan(Wish{Framing: modbus.RTU, Bauds: []int{14400}, Units: []byte{9}})
	if first := plan.Tries[0]; first.Serial.Baud != 14400 || first.Unit != 9 {
		t.Errorf("the first try is %+v, not what was named", first)
	}
	seen := map[Try]int{}
	units := map[byte]bool{}
	for _, try := range plan.Tries {
		try.likely = false
		if seen[try]++; seen[try] > 1 {
			t.Fatalf("%+v is tried twice", try)
		}
		units[try.Unit] = true
	}
	if len(units) != 247 || units[0] {
		t.Errorf("%d unit ids are tried, broadcast: %v; want 1 to 247", len(units), units[0])
	}
}

func TestSweepWhatCounts(t *testing.T) {
	setting := modbus.Serial{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}
	exception := func(code frame.Exception) func(int, []byte) []byte {
		return func(_ int, pdu []byte) []byte { return frame.AppendException(nil, pdu[0], byte(code)) }
	}
	tests := []struct {
		name   string
		answer func(int, []byte) []byte
		late   time.Duration
		found  string // part of the answer's words; empty: no find
		slow   bool
	}{
		{"a value", registers(5), 0, "answers", false},
		{"a refusal", exception(frame.IllegalDataAddress), 0, "exception 02", false},
		{"a busy device", exception(frame.ServerDeviceBusy), 0, "exception 06", false},
		{"a gateway for a missing device", exception(frame.GatewayTargetFailure), 0, "", false},
		{"only the other function", func(n int, pdu []byte) []byte {
			if pdu[0] != frame.ReadInputRegisters {
				return nil
			}
			return registers(1)(n, pdu)
		}, 0, "answers", false},
		{"a slow device", registers(5), 450 * time.Millisecond, "answers", true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &benchLine{setting: setting, unit: 1, answer: tt.answer, late: tt.late}
				plan := NewPlan(Wish{Framing: modbus.RTU, Settings: []modbus.Serial{setting}, Units: []byte{1}})
				swept, err := Sweep(context.Background(), b.line(), plan, 20*time.Second, nil)
				b.wait.Wait()
				if err != nil {
					t.Fatal(err)
				}
				if tt.found == "" {
					if len(swept.Found) != 0 {
						t.Errorf("found %+v", swept.Found)
					}
					return
				}
				if len(swept.Found) != 1 || !strings.Contains(swept.Found[0].Answer, tt.found) || swept.Found[0].Slow != tt.slow {
					t.Errorf("found %+v, want %q, slow %v", swept.Found, tt.found, tt.slow)
				}
			})
		})
	}
}

// TestSweepStopsForOthers: a whole frame of somebody else ends the asking.
func TestSweepStopsForOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		setting := modbus.Serial{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}
		b := &benchLine{setting: setting, unit: 1, answer: registers(5)}
		b.spoil = func(int, []byte) []byte { return frame.AppendRTU(nil, 9, []byte{3, 2, 0, 1}) }
		plan := NewPlan(Wish{Framing: modbus.RTU, Settings: []modbus.Serial{setting}, Units: []byte{1}})
		_, err := Sweep(context.Background(), b.line(), plan, 0, nil)
		b.wait.Wait()
		if !errors.Is(err, ErrOtherMaster) {
			t.Errorf("error %v", err)
		}
		if b.asked != 1 {
			t.Errorf("%d requests were sent on a line that is another's", b.asked)
		}
	})
}

func TestIntroduce(t *testing.T) {
	setting := modbus.Serial{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}
	nameplate := frame.Identification{Conformity: 1, Objects: []frame.Object{
		{ID: frame.VendorName, Value: []byte("Harrow\x1b[2J Works")}, {ID: frame.MajorMinorRevision, Value: []byte("V1.0")}}}
	for name, tt := range map[string]struct {
		answer func(int, []byte) []byte
		want   string
	}{
		"known":   {func(int, []byte) []byte { return nameplate.AppendPDU(nil) }, "vendor: Harrow·[2J Works|revision: V1.0"},
		"refused": {registers(1), "it does not know device identification"},
		"silent":  {func(int, []byte) []byte { return nil }, "it does not answer to device identification"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &benchLine{setting: setting, unit: 1, answer: tt.answer}
				session, err := Connect(context.Background(), b.line(), setting)
				if err != nil {
					t.Fatal(err)
				}
				f := Found{Unit: 1}
				Introduce(context.Background(), session, &f)
				if err := session.Close(); err != nil {
					t.Error(err)
				}
				b.wait.Wait()
				if got := strings.Join(f.Identity, "|") + f.WhyNot; !strings.HasPrefix(got, tt.want) {
					t.Errorf("got %q, want %q", got, tt.want)
				}
			})
		})
	}
}

func TestListen(t *testing.T) {
	setting := modbus.Serial{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}
	request := frame.AppendRTU(nil, 4, frame.ReadRequest{Function: 3, Address: 10, Quantity: 4}.AppendPDU(nil))
	poll := append(request, frame.AppendRTU(nil, 4, frame.AppendReadResponse(nil, 3, make([]byte, 8)))...)
	tests := []struct {
		name string
		talk []byte
		want string // part of the explanation; empty: quiet
	}{
		{"nobody", nil, ""},
		{"another master", poll, "unit 4 is asked for holding registers 10-13"},
		{"an ASCII master", frame.AppendASCII(nil, 2, []byte{3, 0, 0, 0, 1}), "ASCII unit 2 is asked for holding register 0"},
		{"a printer", []byte("P=103.4 PSI T=180 F\r\n"), "plain text"},
		{"noise", []byte{0xFF, 0x00, 0x91}, "noise"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := &benchLine{setting: setting, unit: 1, answer: registers(1), talk: tt.talk, period: 600 * time.Millisecond}
				h, err := Listen(context.Background(), b.line(), setting, DefaultListen)
				b.wait.Wait()
				if err != nil {
					t.Fatal(err)
				}
				if h.Quiet() != (tt.want == "") || !strings.Contains(h.Explain(), tt.want) {
					t.Errorf("heard %+v: %s", h, h.Explain())
				}
				if tt.talk != nil && h.Bursts != 3 {
					t.Errorf("%d moments, want 3", h.Bursts)
				}
				if b.asked != 0 {
					t.Errorf("%d requests were sent while listening", b.asked)
				}
			})
		})
	}
}

// TestEavesdrop: the speed of another master is found without a byte sent.
func TestEavesdrop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		setting := modbus.Serial{Baud: 38400, DataBits: 8, Parity: 'E', StopBits: 1}
		request := frame.AppendRTU(nil, 4, frame.ReadRequest{Function: 3, Address: 10, Quantity: 4}.AppendPDU(nil))
		b := &benchLine{setting: setting, unit: 1, answer: registers(1), talk: request, period: 500 * time.Millisecond}
		got, h, ok, err := Eavesdrop(context.Background(), b.line(), NewPlan(Wish{Framing: modbus.RTU}).Settings, DefaultListen, nil)
		b.wait.Wait()
		if err != nil || !ok || got != setting || h.Count == 0 {
			t.Errorf("got %v, %+v, %v, %v", got, h, ok, err)
		}
		if b.asked != 0 {
			t.Errorf("%d requests were sent", b.asked)
		}
	})
}

func TestParse(t *testing.T) {
	if s, err := ParseSerial(" 19200  8e1"); err != nil || s != (modbus.Serial{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}) {
		t.Errorf("got %v, %v", s, err)
	}
	for _, bad := range []string{"", "19200", "19200 8X1", "19200 9N1", "fast 8N1", "19200 8N3", "8N1 19200"} {
		if s, err := ParseSerial(bad); !errors.Is(err, errSerialForm) {
			t.Errorf("%q gives %v, %v", bad, s, err)
		}
	}
	if u, err := ParseUnits("3, 7,10-12"); err != nil || string(u) != "\x03\x07\x0A\x0B\x0C" {
		t.Errorf("got %v, %v", u, err)
	}
	for _, bad := range []string{"", "x", "5-3", "256", "-1", "1-"} {
		if u, err := ParseUnits(bad); err == nil {
			t.Errorf("%q gives %v", bad, u)
		}
	}
}
