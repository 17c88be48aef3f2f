package transfer

import "loadscribe/agent/scan"

// pauses puts the time between two recording segments into the rows: without
// it a stop of the agent would show only between the lines of an export. It
// gives each poll group one scan without values, a millisecond after the last
// row before the pause.
type pauses struct {
	emit    func(*scan.Scan) error
	groups  []*scan.Group // those seen in this segment, in order
	seen    map[*scan.Group]bool
	segment uint32
	newest  *scan.Scan // of this segment, without values
}

func newPauses(emit func(*scan.Scan) error) *pauses {
	return &pauses{emit: emit, seen: map[*scan.Group]bool{}}
}

func (p *pauses) scan(s *scan.Scan) error {
	if p.newest != nil && s.Segment != p.segment {
		if err := p.pause(s); err != nil {
			return err
		}
		p.groups = p.groups[:0]
		clear(p.seen)
		p.newest = nil
	}
	p.segment = s.Segment
	if !p.seen[s.Group] {
		p.seen[s.Group] = true
		p.groups = append(p.groups, s.Group)
	}
	if p.newest == nil {
		p.newest = &scan.Scan{WallMS: s.WallMS}
	}
	if s.WallMS >= p.newest.WallMS {
		p.newest.WallMS, p.newest.MonoMS = s.WallMS, s.MonoMS
	}
	return p.emit(s)
}

// pause writes the gap before s, the first scan of the next segment.
func (p *pauses) pause(s *scan.Scan) error {
	reason := scan.AgentStopped
	if past := s.MonoMS - p.newest.MonoMS; past >= 0 && past <= s.Group.GapMS() {
		// The monotonic clock went on: only the label has moved.
		reason = scan.ClockStep
	}
	for _, g := range p.groups {
		if s.WallMS-p.newest.WallMS <= g.GapMS() {
			continue
		}
		blank := scan.Scan{Group: g, Segment: p.segment, WallMS: p.newest.WallMS + 1, MonoMS: p.newest.MonoMS + 1, Reason: reason}
		if err := p.emit(&blank); err != nil {
			return err
		}
	}
	return nil
}
