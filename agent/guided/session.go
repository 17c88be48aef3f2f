package guided

import (
	"fmt"

	"loadscribe/agent/gum"
)

// Phase is where a test is.
type Phase string

// The phases. Those of a leak test are watch, done and given up.
const (
	Watch   Phase = "watch"    // leak: whole load cycles, or a fall, are gathered
	Lower   Phase = "lower"    // pump-up: the volume is to be brought down
	Rise    Phase = "rise"     // pump-up: the machine fills it
	Hold    Phase = "hold"     // pump-up: it stands, and shows what it loses itself
	Done    Phase = "done"     // there is a result
	GivenUp Phase = "given_up" // there is none
)

// Over reports whether nothing more comes.
func (p Phase) Over() bool { return p == Done || p == GivenUp }

// Report is how a test stands.
type Report struct {
	Test, System, Machine, Who string
	Phase                      Phase
	Instruction                string // what the person must do now
	Done, Needed               int    // cycles or rises
	Needs                      string // what it needs still
	SoFar                      string // the result as it stands
	Detail                     string // what was not counted, and why
	Why                        string // why it was given up
	StartedMS, NowMS           int64  // wall time
	Tap                        string
	Channel                    string // the id of the tap's
}

// Result is what a finished test found.
type Result struct {
	Flow       gum.Value // free air, m³/s; V 0: not known
	Share      gum.Value // leak: the part of the time that Machine delivered; V 0: it did not load
	Machine    string
	PressurePa float64 // gauge, mean
	Cycles     int
	Method     string
	Text       string // for people
}

// What ends a test without a result.
const (
	gapLimitMS    = 120_000
	pumpUpLimitMS = 90 * 60_000
	leakLimitMS   = 8 * 3600_000
)

// Session is one test.
type Session struct {
	plan   *Plan
	report Report
	result *Result
	begun  bool
	origin int64 // monotonic, of the first reading
	lastMS int64 // monotonic, of the last reading
	goodMS int64 // monotonic, of the last good one; before it, of the first
	knowMS int64 // monotonic, when it was last known what all machines do
	course course
}

// course is the part of a session that differs from test to test.
type course interface {
	// take gets each good reading; s is the time since the first one. Its error is
	// why the test is given up.
	take(s float64, r *Reading) error
	// lost says that readings were missing for longer than a gap.
	lost()
	// show fills what the person sees.
	show(r *Report)
	// result returns the result once there is one.
	result() *Result
}

// New begins a test.
func New(p *Plan) *Session {
	s := &Session{plan: p, report: Report{Test: p.Test, System: p.System, Machine: p.Machine, Who: p.Who,
		Tap: fmt.Sprintf("%s at %s", p.Source.ID, p.Source.Part), Channel: p.Source.ID}}
	if p.Test == Leak {
		s.course = &leakTest{plan: p, on: -1}
		s.report.Phase = Watch
	} else {
		s.course = &pumpUp{plan: p, phase: Lower}
		s.report.Phase = Lower
	}
	s.course.show(&s.report)
	return s
}

// Plan is what the session was made of.
func (s *Session) Plan() *Plan { return s.plan }

// Report tells how the test stands.
func (s *Session) Report() Report { return s.report }

// Result is what was found; ok is false before the test is done.
func (s *Session) Result() (r Result, ok bool) {
	if s.result == nil {
		return Result{}, false
	}
	return *s.result, true
}

// Cancel ends a test that a person breaks off.
func (s *Session) Cancel(why string) {
	if !s.report.Phase.Over() {
		s.giveUp(why)
	}
}

func (s *Session) giveUp(why string) {
	s.report.Phase, s.report.Why = GivenUp, why
	s.report.Instruction, s.report.Needs = Afterwards(s.plan.Test), ""
}

// Afterwards is what a person must do when a test is over, whatever became of it.
func Afterwards(test string) string {
	if test == Leak {
		return "Tell those who use air that the test is over."
	}
	return "Shut the drain, open the plant valve again, slowly, if it was shut, and tell those who use air."
}

// Observe takes the next reading, in the order of their monotonic times. Doing
// must have an entry for each machine of the plan.
func (s *Session) Observe(r Reading) {
	if s.report.Phase.Over() || s.begun && r.MonoMS <= s.lastMS || len(r.Doing) != len(s.plan.Machines) {
		return
	}
	if !s.begun {
		s.begun, s.origin, s.goodMS, s.knowMS, s.report.StartedMS = true, r.MonoMS, r.MonoMS, r.MonoMS, r.WallMS
	}
	s.lastMS, s.report.NowMS = r.MonoMS, r.WallMS
	silent := r.MonoMS - s.goodMS
	switch {
	case silent > gapLimitMS && r.Good:
		s.giveUp(fmt.Sprintf("%s was not read for %.0f s", s.plan.Source.ID, float64(silent)/1000))
		return
	case silent > gapLimitMS:
		s.giveUp(fmt.Sprintf("%s was not read for %.0f s: %s", s.plan.Source.ID, float64(silent)/1000, r.Reason))
		return
	case !r.Good:
		return
	case silent > s.plan.GapMS:
		s.course.lost()
	}
	s.goodMS = r.MonoMS
	s.step(&r)
}

// step hands a good reading on.
func (s *Session) step(r *Reading) {
	limit := int64(pumpUpLimitMS)
	if s.plan.Test == Leak {
		limit = leakLimitMS
	}
	if why := s.tooHigh(r); why != "" {
		s.giveUp(why)
		s.report.Instruction = fmt.Sprintf("Stop %s at once. Then: ", s.plan.Machine) + s.report.Instruction
		return
	}
	if why := s.unexpected(r); why != "" {
		s.giveUp(why)
		return
	}
	if err := s.course.take(float64(r.MonoMS-s.origin)/1000, r); err != nil {
		s.giveUp(err.Error())
		return
	}
	s.course.show(&s.report)
	switch s.result = s.course.result(); {
	case s.result != nil:
		s.report.Phase, s.report.SoFar, s.report.Needs = Done, s.result.Text, ""
		s.report.Instruction = Afterwards(s.plan.Test)
	case r.MonoMS-s.origin > limit:
		s.giveUp(fmt.Sprintf("%d minutes have passed without a result: %s", limit/60_000, s.report.Needs))
	}
}

// tooHigh says that the pressure has passed what the machine is made for: it does
// not see what it fills.
func (s *Session) tooHigh(r *Reading) string {
	if p := s.plan; p.MostPa > 0 && r.PressurePa > p.MostPa {
		return fmt.Sprintf("%s reads %s, more than a tenth above what %s is to unload at: is its gauge behind the valve, or are rated_pressure and cut_out wrong in the site file?",
			p.Source.ID, p.pressureText(r.PressurePa), p.Machine)
	}
	return ""
}

// unexpected says what a machine does that ends every test.
func (s *Session) unexpected(r *Reading) string {
	known := true
	for i, d := range r.Doing {
		name := s.plan.Machines[i]
		known = known && d != Unseen
		switch {
		case d == Unseen && r.MonoMS-s.knowMS > gapLimitMS:
			return fmt.Sprintf("what %s does was not seen for %d s: its state needs a signal, power or current (loadscribe levels)", name, gapLimitMS/1000)
		case d == Tripped && (s.plan.Test == Leak || name == s.plan.Machine):
			return fmt.Sprintf("%s has tripped: see to that first", name)
		case s.plan.Test == PumpUp && name != s.plan.Machine && (d == Loaded || d == PartLoad):
			return fmt.Sprintf("%s delivers as well: stop it, so that %s fills the volume alone, and begin again", name, s.plan.Machine)
		}
	}
	if known {
		s.knowMS = r.MonoMS
	}
	return ""
}
