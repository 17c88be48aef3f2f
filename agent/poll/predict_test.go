package poll

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"loadscribe/agent/sitefile"
)

// TestPredict is worked by hand for one input register a second at 9600 baud:
// 8 + 7 characters of 11 bits, two silences of 3.5 characters, 10 ms.
func TestPredict(t *testing.T) {
	site := siteOf(1, time.Second)
	site.Lines[0].Serial.Baud = 9600
	loads, err := Predict(site)
	if err != nil || len(loads) != 1 {
		t.Fatalf("got %v, %v", loads, err)
	}
	want := 1000*(15+7)*11/9600.0 + 10 // ms
	if l := loads[0]; l.Line != "bus" || math.Abs(l.CycleMS-want) > 1e-3 || math.Abs(l.Share-want/1000) > 1e-6 || l.Advice != "" {
		t.Errorf("got %+v, want %.4f ms and no advice", l, want)
	}
	site.Lines[0].Kind = sitefile.ModbusASCII // :, 14 hex characters, CR LF; :, 12, CR LF
	loads, err = Predict(site)
	want = 1000*(17+15+7)*11/9600.0 + 10
	if err != nil || math.Abs(loads[0].CycleMS-want) > 1e-3 {
		t.Errorf("ASCII: got %+v, %v, want %.4f ms", loads, err, want)
	}
	site.Lines[0].Kind = sitefile.ModbusTCP
	if loads, err = Predict(site); err != nil || len(loads) != 0 {
		t.Errorf("TCP: got %+v, %v, want none", loads, err)
	}
}

// TestPredictSilences holds the silences to Modbus over Serial Line V1.02,
// 2.5.1.1 (values above 19200 baud read; 11-bit character from memory), by the
// difference to the characters' own time.
func TestPredictSilences(t *testing.T) {
	f, err := os.Open("../../testdata/vectors/modbus_timing.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		baud, _ := strconv.Atoi(row[0])
		char, _ := strconv.ParseFloat(row[1], 64)
		silent, _ := strconv.ParseFloat(row[3], 64)
		site := siteOf(1, time.Second)
		site.Lines[0].Serial.Baud = baud
		site.Lines[0].Turnaround = 5 * time.Millisecond
		loads, err := Predict(site)
		if want := 15*char + 2*silent + 5 + 10; err != nil || math.Abs(loads[0].CycleMS-want) > 1e-4 {
			t.Errorf("%d baud: got %+v, %v, want %.5f ms", baud, loads, err, want)
		}
	}
}

func TestPredictAdvice(t *testing.T) {
	site := siteOf(5, 250*time.Millisecond)
	site.Lines[0].Serial.Baud = 2400
	loads, err := Predict(site)
	if err != nil {
		t.Fatal(err)
	}
	const want = `line "bus": its periods need 222 % of the time at 2400 baud, and 80 % is the most that can be kept: ` +
		`make the periods 2.8 times as long, or set line and devices to 9600 baud`
	if l := loads[0]; l.Advice != want {
		t.Errorf("got %q\nwant %q", l.Advice, want)
	}
	site = siteOf(30, 250*time.Millisecond)
	loads, err = Predict(site)
	if err != nil || strings.Contains(loads[0].Advice, "or set") || !strings.Contains(loads[0].Advice, "times as long") {
		t.Errorf("thinking time alone fills the line: got %q, %v, want no speed to be proposed", loads[0].Advice, err)
	}
}
