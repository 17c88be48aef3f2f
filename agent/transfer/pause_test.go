package transfer

import (
	"bytes"
	"strings"
	"testing"

	"loadscribe/agent/scan"
)

func TestPausesAreInTheExport(t *testing.T) {
	a := &scan.Group{Device: "a", Name: "1s", PeriodMS: 1000, Channels: []scan.Channel{{Device: "a", Name: "x", Kind: scan.KindInt, Scale: 1, Unit: "1"}}}
	b := &scan.Group{Device: "b", Name: "60s", PeriodMS: 60_000, Channels: []scan.Channel{{Device: "b", Name: "y", Kind: scan.KindInt, Scale: 1, Unit: "1"}}}
	at := func(g *scan.Group, segment uint32, mono, wall int64) scan.Scan {
		return scan.Scan{Group: g, Segment: segment, MonoMS: mono, WallMS: wall, Values: []int64{1}}
	}
	for _, c := range []struct {
		name string
		next scan.Scan
		want []string
	}{
		{"a stop of half a minute", at(a, 2, 10, 31_000), []string{"00:00:01.001Z,a,x,,1,agent stopped"}},
		{"a stop of ten minutes", at(a, 2, 10, 601_000), []string{"00:00:01.001Z,a,x,,1,agent stopped", "00:00:01.001Z,b,y,,1,agent stopped"}},
		{"a stop within three periods", at(a, 2, 10, 3_500), nil},
		{"a clock put forward", at(a, 2, 2_000, 601_000), []string{"00:00:01.001Z,a,x,,1,clock step", "00:00:01.001Z,b,y,,1,clock step"}},
		{"the same segment", at(a, 1, 601_000, 601_000), nil},
	} {
		scans := []scan.Scan{at(a, 1, 0, 0), at(b, 1, 500, 500), at(a, 1, 1000, 1000), c.next}
		var out bytes.Buffer
		err := ExportCSV(t.Context(), &out, func(fn func(*scan.Scan) error) error {
			for i := range scans {
				if err := fn(&scans[i]); err != nil {
					return err
				}
			}
			return nil
		}, []*scan.Group{a, b}, CSVOptions{})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		var got []string
		for line := range strings.SplitSeq(out.String(), "\r\n") {
			if line != "" && !strings.HasSuffix(line, ",good") && !strings.HasPrefix(line, "time,") {
				got = append(got, strings.TrimPrefix(line, "1970-01-01T"))
			}
		}
		if strings.Join(got, "\n") != strings.Join(c.want, "\n") {
			t.Errorf("%s: got\n%s\nwant\n%s", c.name, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}
