package intake

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/transfer"
)

// fuzzMappings are the ways a file of a fuzz run is read, by its first number.
var fuzzMappings = []string{
	"[[logger]]\nname = \"l\"\n[logger.time]\nformat = \"YYYY-MM-DD hh:mm:ss\"\nambiguous = \"order\"\n[[logger.column]]\nname = \"a\"\nchannel = \"power.power\"\n[[logger.column]]\nname = \"b\"\nchannel = \"controller.pressure\"\n",
	"[[logger]]\nname = \"l\"\nlayout = \"long\"\n",
	"[[logger]]\nname = \"l\"\n",
	"[[logger]]\nname = \"l\"\nseparator = \";\"\ndecimal = \",\"\nencoding = \"utf-16\"\nrepeated = \"last\"\n[logger.time]\nformat = \"unix\"\n[[logger.column]]\nname = \"a\"\nchannel = \"flow.flow\"\nunit = \"cfm\"\n",
	"[[logger]]\nname = \"l\"\nencoding = \"windows-1252\"\nheader = false\nrepeated = \"first\"\n[logger.time]\ncolumns = [\"1\", \"2\"]\nformat = \"D.M.YY hh:mm\"\nambiguous = \"later\"\n[[logger.column]]\nname = \"3\"\nchannel = \"controller.temperature\"\n",
}

// FuzzFile: whatever is in a file, reading it neither panics nor hangs; it is
// refused with its place, or both passes find the same scans, in order, and
// what an export writes of them comes back as them.
func FuzzFile(f *testing.F) {
	for i, text := range []string{
		"time,a,b\n2025-11-02 00:59:50,1.5,100.3\n2025-11-02 01:00:00,,100.4\n2025-11-02 01:00:00,2,\n2025-11-02 03:00:00,\"2\",1e2\n",
		"time,device,channel,value,unit,quality\r\n2026-01-01T00:00:00.000Z,controller,pressure,100.3,psi,good\r\n2026-01-01T00:00:00.000Z,controller,temperature,,°F,timeout\r\n",
		"time,controller.pressure [psi],power.power [kW]\r\n2026-01-01T00:00:10.000Z,100.3,\r\n2026-01-01T00:00:00.000Z,,1.25\r\n",
		"\xff\xfet\x00i\x00m\x00e\x00;\x00a\x00\n\x001\x007\x006\x007\x002\x002\x005\x006\x000\x000\x00;\x001\x00,\x005\x00\n\x00",
		"1.1.26,10:00,-38\n1.1.26,10:00,-36\n31.12.25,10:00,\"\x80\"\"\"\n",
	} {
		f.Add(i, []byte(text))
	}
	dir := f.TempDir()
	for name, text := range map[string]string{"site.toml": benchSite, "flow.toml": benchFlow, "power.toml": benchPower, "controller.toml": benchController} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			f.Fatal(err)
		}
	}
	site, err := sitefile.Load(filepath.Join(dir, "site.toml"), sitefile.Options{})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, how int, text []byte) {
		mapping := fuzzMappings[(how%len(fuzzMappings)+len(fuzzMappings))%len(fuzzMappings)]
		all, ok := readOnce(t, site, mapping, text)
		if !ok {
			return
		}
		groups := sitefile.Groups(site)
		again, ok := readOnce(t, site, fuzzMappings[1], []byte(export(t, transfer.Long, groups, all)))
		if !ok || len(again) != len(all) {
			t.Fatalf("%d scans, but %d of their export", len(all), len(again))
		}
		for i := range all {
			if err := same(&again[i], &all[i]); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// readOnce reads one file; ok is whether it was not refused.
func readOnce(t *testing.T, site *sitefile.Site, mapping string, text []byte) (all []scan.Scan, ok bool) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "f.csv")
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	m, err := ParseMapping("m.toml", []byte(mapping))
	if err != nil {
		t.Fatal(err)
	}
	in, err := Open(site, m, []File{{"l", path}})
	if err == nil {
		_, err = in.Check(t.Context(), nil)
	}
	if err != nil {
		var p sitefile.Problem
		if !errors.Is(err, ErrFile) && !errors.As(err, &p) {
			t.Fatalf("refused without a place: %v", err)
		}
		if strings.ContainsAny(err.Error(), "\x00\r\n") {
			t.Fatalf("a message that cannot be printed: %q", err)
		}
		return nil, false
	}
	err = in.Scans(t.Context(), nil, func(s *scan.Scan) error {
		if n := len(all); n > 0 && s.WallMS < all[n-1].WallMS {
			t.Fatalf("scan %d goes back in time", n)
		}
		all = append(all, *s)
		return nil
	})
	if err != nil {
		t.Fatalf("checked, and then refused: %v", err)
	}
	return all, true
}

// FuzzMapping: a mapping is read or refused with its place.
func FuzzMapping(f *testing.F) {
	for _, m := range fuzzMappings {
		f.Add([]byte(m))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := ParseMapping("m.toml", text)
		if err != nil {
			var p sitefile.Problem
			if !errors.As(err, &p) {
				t.Fatalf("refused without a place: %v", err)
			}
			return
		}
		for i := range m.Loggers {
			if l := &m.Loggers[i]; l.Time.pattern == nil || len(l.Time.Columns) == 0 || l.Separator == 0 || l.Layout == Long && l.Long.Value == "" {
				t.Fatalf("a logger half read: %+v", l)
			}
		}
	})
}
