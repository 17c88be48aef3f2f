package bundle

import (
	"maps"
	"slices"

	"loadscribe/agent/scan"
	"loadscribe/agent/store"
)

// tally counts what is in the window.
type tally struct {
	state   *state
	devices map[string]*Device
	imports map[uint32]*Import
	scans   int64
	firstMS int64
	lastMS  int64
}

func newTally(s *state) *tally {
	return &tally{state: s, devices: map[string]*Device{}, imports: map[uint32]*Import{}}
}

func (t *tally) device(name string) *Device {
	d := t.devices[name]
	if d == nil {
		d = &Device{Name: name}
		t.devices[name] = d
	}
	return d
}

func (t *tally) block(b *block) { t.device(b.Device).Blocks++ }

func (t *tally) scan(s *scan.Scan) {
	d := t.device(s.Group.Device)
	d.Scans++
	if s.Reason == scan.Good {
		d.Good++
	}
	if t.scans == 0 || s.WallMS < t.firstMS {
		t.firstMS = s.WallMS
	}
	if t.scans == 0 || s.WallMS > t.lastMS {
		t.lastMS = s.WallMS
	}
	t.scans++
	if t.state.segments[s.Segment].Why != store.WhyImport {
		return
	}
	i := t.imports[s.Segment]
	if i == nil {
		i = &Import{Segment: s.Segment, FirstMS: s.WallMS, LastMS: s.WallMS}
		t.imports[s.Segment] = i
	}
	i.Scans++
	i.FirstMS, i.LastMS = min(i.FirstMS, s.WallMS), max(i.LastMS, s.WallMS)
}

// fill puts the counts into a verdict.
func (t *tally) fill(d *Verdict, s *shown) {
	d.Devices, d.Imported = []Device{}, []Import{}
	d.Scans, d.FirstMS, d.LastMS = t.scans, t.firstMS, t.lastMS
	for _, name := range slices.Sorted(maps.Keys(t.devices)) {
		d.Devices = append(d.Devices, *t.devices[name])
	}
	for _, n := range slices.Sorted(maps.Keys(t.imports)) {
		i := *t.imports[n]
		for k := range s.imports {
			if importedSegments(&s.imports[k])[n] {
				i.Text = s.imports[k].Text
			}
		}
		d.Imported = append(d.Imported, i)
	}
}
