package frame

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/testdata/vectors"
)

// subtest names a row with where it comes from.
func subtest(what string, row map[string]string) string {
	return fmt.Sprintf("%s [%s; %s]", what, row["source"], row["basis"])
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestCRCVectors(t *testing.T) {
	for _, row := range vectors.Read(t, "modbus_crc.csv") {
		t.Run(subtest(row["input_hex"], row), func(t *testing.T) {
			want, err := strconv.ParseUint(row["crc16"], 0, 16)
			if err != nil {
				t.Fatal(err)
			}
			if got := CRC16(unhex(t, row["input_hex"])); got != uint16(want) {
				t.Errorf("CRC16(%s) = %#04x, want %#04x", row["input_hex"], got, want)
			}
		})
	}
}

// TestFrameVectors holds encoders and decoders to the published frames, byte
// for byte. The PDUs of write functions come from the table; nothing here can
// make one.
func TestFrameVectors(t *testing.T) {
	for _, row := range vectors.Read(t, "modbus_frames.csv") {
		what := strings.Join([]string{row["mode"], row["kind"], row["name"]}, " ")
		t.Run(subtest(what, row), func(t *testing.T) {
			unit64, err := strconv.ParseUint(row["unit"], 10, 8)
			if err != nil {
				t.Fatal(err)
			}
			unit, pdu := byte(unit64), unhex(t, row["pdu_hex"])
			checkReadPDU(t, row, pdu)
			switch row["mode"] {
			case "rtu":
				checkRTU(t, row, unit, pdu)
			case "ascii":
				checkASCII(t, row, unit, pdu)
			case "tcp":
				checkTCP(t, row, unit, pdu)
			default:
				t.Fatalf("mode %q", row["mode"])
			}
		})
	}
}

func checkReadPDU(t *testing.T, row map[string]string, pdu []byte) {
	t.Helper()
	if row["kind"] != "request" || pdu[0] > ReadInputRegisters {
		return
	}
	req, err := ParseReadRequest(pdu)
	if err != nil {
		t.Fatal(err)
	}
	if got := req.AppendPDU(nil); !bytes.Equal(got, pdu) {
		t.Errorf("AppendPDU(%+v) = % X, want % X", req, got, pdu)
	}
}

func checkRTU(t *testing.T, row map[string]string, unit byte, pdu []byte) {
	t.Helper()
	adu := unhex(t, row["adu"])
	if got := AppendRTU(nil, unit, pdu); !bytes.Equal(got, adu) {
		t.Errorf("AppendRTU = % X, want % X", got, adu)
	}
	gotUnit, gotPDU, err := DecodeRTU(adu)
	if err != nil || gotUnit != unit || !bytes.Equal(gotPDU, pdu) {
		t.Errorf("DecodeRTU = %d, % X, %v", gotUnit, gotPDU, err)
	}
	if row["kind"] == "request" && pdu[0] != 0x07 { // 07 is not among the functions a server sizes
		if n, ok := RTURequestLength(adu); !ok || n != len(adu) {
			t.Errorf("RTURequestLength = %d, %v, want %d", n, ok, len(adu))
		}
	}
	if read := pdu[0] <= ReadInputRegisters || pdu[0] >= 0x80; row["kind"] == "response" && read {
		if n, ok := RTUResponseLength(adu[:3]); !ok || n != len(adu) {
			t.Errorf("RTUResponseLength = %d, %v, want %d", n, ok, len(adu))
		}
	}
	for i := range adu {
		bad := bytes.Clone(adu)
		bad[i] ^= 0x10
		if _, _, err := DecodeRTU(bad); err == nil {
			t.Errorf("DecodeRTU took % X with byte %d flipped", bad, i)
		}
	}
}

func checkASCII(t *testing.T, row map[string]string, unit byte, pdu []byte) {
	t.Helper()
	adu := strings.ReplaceAll(row["adu"], `\r\n`, "\r\n")
	if got := string(AppendASCII(nil, unit, pdu)); got != adu {
		t.Errorf("AppendASCII = %q, want %q", got, adu)
	}
	gotUnit, gotPDU, err := DecodeASCII(nil, []byte(adu))
	if err != nil || gotUnit != unit || !bytes.Equal(gotPDU, pdu) {
		t.Errorf("DecodeASCII = %d, % X, %v", gotUnit, gotPDU, err)
	}
	if got := fmt.Sprintf("%02X", LRC(append([]byte{unit}, pdu...))); got != row["check"] {
		t.Errorf("LRC = %s, want %s", got, row["check"])
	}
}

func checkTCP(t *testing.T, row map[string]string, unit byte, pdu []byte) {
	t.Helper()
	adu := unhex(t, row["adu"])
	transaction := uint16(adu[0])<<8 | uint16(adu[1])
	if got := AppendTCP(nil, transaction, unit, pdu); !bytes.Equal(got, adu) {
		t.Errorf("AppendTCP = % X, want % X", got, adu)
	}
	gotTransaction, gotUnit, gotPDU, err := DecodeTCP(adu)
	if err != nil || gotTransaction != transaction || gotUnit != unit || !bytes.Equal(gotPDU, pdu) {
		t.Errorf("DecodeTCP = %d, %d, % X, %v", gotTransaction, gotUnit, gotPDU, err)
	}
}

func TestTimingVectors(t *testing.T) {
	for _, row := range vectors.Read(t, "modbus_timing.csv") {
		t.Run(subtest(row["baud"], row), func(t *testing.T) {
			baud, err := strconv.Atoi(row["baud"])
			if err != nil {
				t.Fatal(err)
			}
			near(t, "CharTime", CharTime(baud), row["char_ms"])
			near(t, "Gap", Gap(baud), row["t3_5_ms"])
		})
	}
	if Gap(0) != 0 || CharTime(0) != 0 || TransmitTime(0, 8) != 0 {
		t.Error("a link without a baud rate has no times")
	}
	near(t, "TransmitTime of 256 at 19200", TransmitTime(19200, 256), "146.666667") // 256 × 11 / 19200
}

// near compares with a table value printed to a nanosecond in milliseconds.
func near(t *testing.T, what string, got time.Duration, wantMS string) {
	t.Helper()
	want, err := strconv.ParseFloat(wantMS, 64)
	if err != nil {
		t.Fatal(err)
	}
	if diff := math.Abs(float64(got)/1e6 - want); diff > 2e-6 {
		t.Errorf("%s = %v, want %s ms", what, got, wantMS)
	}
}

func TestLimitVectors(t *testing.T) {
	have := map[string]int{
		"max bits per FC01/02 read":                     MaxBits,
		"max registers per FC03/04 read":                MaxRegisters,
		"RTU ADU max bytes":                             MaxRTU,
		"PDU max bytes":                                 MaxPDU,
		"TCP ADU max bytes":                             MaxTCP,
		"ASCII ADU max characters":                      MaxASCII,
		"MBAP header bytes":                             TCPHeader,
		"exception 01 illegal function":                 int(IllegalFunction),
		"exception 02 illegal data address":             int(IllegalDataAddress),
		"exception 03 illegal data value":               int(IllegalDataValue),
		"exception 04 server device failure":            int(ServerDeviceFailure),
		"exception 05 acknowledge":                      int(Acknowledge),
		"exception 06 server device busy":               int(ServerDeviceBusy),
		"exception 08 memory parity error":              int(MemoryParityError),
		"exception 0A gateway path unavailable":         int(GatewayPathMissing),
		"exception 0B gateway target failed to respond": int(GatewayTargetFailure),
	}
	seen := 0
	for _, row := range vectors.Read(t, "modbus_limits.csv") {
		got, ok := have[row["item"]]
		if !ok {
			continue // write limits, unit ids and the port are not this package's
		}
		seen++
		t.Run(subtest(row["item"], row), func(t *testing.T) {
			if want := row["value"]; strconv.Itoa(got) != want {
				t.Errorf("%d, want %s", got, want)
			}
		})
	}
	if seen != len(have) {
		t.Errorf("%d of %d limits are in the table", seen, len(have))
	}
}
