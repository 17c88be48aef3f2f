package probe

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/modbus/frame"
)

// ErrOtherMaster is returned where somebody else's frames come during a sweep.
var ErrOtherMaster = errors.New("somebody else speaks on this line")

// slowTimeout is given to a device that was found by a late answer, and to
// identification, which some devices take long over.
const slowTimeout = 2 * time.Second

// Found is a device that answers.
type Found struct {
	Serial  modbus.Serial `json:"-"`
	Setting string        `json:"serial,omitempty"` // as in a site file; empty on a net line
	Unit    byte          `json:"unit"`
	Answer  string        `json:"answer"` // what it said, in words
	ReplyMS float64       `json:"reply_ms"`
	// Slow: its answer came after the timeout of the sweep.
	Slow bool `json:"slow,omitempty"`
	// Identity is its device identification, or WhyNot.
	Identity []string `json:"identity,omitempty"`
	WhyNot   string   `json:"no_identity,omitempty"`
}

// Swept is the outcome of a sweep.
type Swept struct {
	Found []Found `json:"found"`
	Tried int     `json:"tried"`
	Of    int     `json:"of"`
	// Silent, Damaged count the tries without a find. Near lists settings
	// where something came, but damaged: a device may be there with another
	// speed or parity.
	Silent  int      `json:"silent"`
	Damaged int      `json:"damaged"`
	Near    []string `json:"damaged_at,omitempty"`
	Skipped []string `json:"settings_not_offered_by_the_port,omitempty"`
	Seconds float64  `json:"seconds"`
	// Ended says why it stopped before the last try, or is empty.
	Ended string `json:"ended,omitempty"`
}

// Step tells of a sweep under way.
type Step struct {
	Try      Try
	Done, Of int
	Found    *Found // set when this try found something
}

// Sweep tries the plan's questions until devices are found or limit is over (0:
// no limit). Once one is found, the line's settings are known, and only the
// likely units are still asked, with those settings. tell may be nil; it is
// called before each try and after each find. The error wraps ErrOtherMaster,
// the context's error or that of opening the line.
func Sweep(ctx context.Context, line Line, plan Plan, limit time.Duration, tell func(Step)) (Swept, error) {
	s := &sweeper{line: line, plan: plan, tell: tell, begun: time.Now()}
	s.result.Of = len(plan.Tries)
	if limit > 0 {
		s.until = s.begun.Add(limit)
	}
	err := s.run(ctx)
	if closed := s.leave(ctx); err == nil {
		err = closed
	}
	s.result.Seconds = time.Since(s.begun).Seconds()
	return s.result, err
}

type sweeper struct {
	line    Line
	plan    Plan
	tell    func(Step)
	begun   time.Time
	until   time.Time // zero: no limit
	result  Swept
	session *Session
	serial  modbus.Serial
	asked   []byte // units asked in this session
}

func (s *sweeper) run(ctx context.Context) error {
	for _, t := range s.plan.Tries {
		if len(s.result.Found) > 0 && !s.worth(t) {
			continue
		}
		if !s.until.IsZero() && time.Now().After(s.until) {
			s.result.Ended = "the time set for it is over"
			return nil
		}
		usable, err := s.enter(ctx, t.Serial)
		if err != nil {
			return err
		}
		if !usable {
			continue
		}
		if s.tell != nil {
			s.tell(Step{Try: t, Done: s.result.Tried, Of: s.result.Of})
		}
		s.result.Tried++
		if err := s.try(ctx, t); err != nil {
			return err
		}
	}
	return nil
}

// worth reports whether a try still makes sense once the settings are known.
func (s *sweeper) worth(t Try) bool {
	if !t.likely || t.Serial != s.result.Found[0].Serial || t.Function != frame.ReadHoldingRegisters || s.known(t.Unit) {
		return false
	}
	for _, unit := range s.plan.named {
		if !s.known(unit) {
			return true
		}
	}
	return len(s.plan.named) == 0 // those that the person asked for are all there
}

func (s *sweeper) known(unit byte) bool {
	return slices.ContainsFunc(s.result.Found, func(f Found) bool { return f.Unit == unit })
}

// enter opens the line with the settings where it is not open with them.
func (s *sweeper) enter(ctx context.Context, serial modbus.Serial) (usable bool, err error) {
	if s.session != nil && s.serial == serial {
		return true, nil
	}
	if slices.Contains(s.result.Skipped, serial.String()) {
		return false, nil
	}
	if err := s.leave(ctx); err != nil {
		return false, err
	}
	if len(s.result.Found) > 0 && s.result.Found[0].Serial != serial {
		return false, nil // leave has found a slow device
	}
	session, err := Connect(ctx, s.line, serial)
	switch {
	case isSettings(err):
		s.result.Skipped = append(s.result.Skipped, serial.String())
		return false, nil
	case err != nil:
		return false, err
	}
	s.session, s.serial, s.asked = session, serial, nil
	return true, nil
}

// leave closes the line, after a look for devices that answered too late.
func (s *sweeper) leave(ctx context.Context) error {
	if s.session == nil {
		return nil
	}
	for _, unit := range s.asked {
		if s.session.unitStats(unit) > 0 && !s.known(unit) && ctx.Err() == nil {
			if err := s.confirm(ctx, unit); err != nil {
				return errors.Join(err, s.session.Close())
			}
		}
	}
	err := s.session.Close()
	s.session = nil
	return err
}

// confirm asks a slow device again, with time.
func (s *sweeper) confirm(ctx context.Context, unit byte) error {
	t := Try{Serial: s.serial, Unit: unit, Function: frame.ReadHoldingRegisters}
	begun := time.Now()
	_, err := s.session.Read(ctx, unit, frame.ReadRequest{Function: t.Function, Quantity: 1}, slowTimeout)
	if words, ok := answerWords(err); ok {
		s.found(t, words, time.Since(begun), true)
	}
	return ctx.Err()
}

func (s *sweeper) try(ctx context.Context, t Try) error {
	if !slices.Contains(s.asked, t.Unit) {
		s.asked = append(s.asked, t.Unit)
	}
	_, err := s.session.Read(ctx, t.Unit, frame.ReadRequest{Function: t.Function, Quantity: 1}, s.plan.Timeout)
	if words, ok := answerWords(err); ok {
		s.found(t, words, s.session.client.UnitStats(t.Unit).MaxReply, false)
		return nil
	}
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, modbus.ErrTimeout), refused(err): // refused by a gateway: nobody is behind it
		s.result.Silent++
	case errors.Is(err, modbus.ErrBadChecksum):
		s.near(t)
	case errors.Is(err, modbus.ErrWrongAnswer):
		if s.line.Framing == modbus.TCP {
			return err
		}
		return fmt.Errorf("%w: %w; find out who, and take them off the line before you go on", ErrOtherMaster, err)
	case errors.Is(err, modbus.ErrLineLost) && s.line.Framing == modbus.TCP:
		s.result.Silent++ // the server hangs up on units it does not have
	default:
		return err
	}
	return nil
}

func (s *sweeper) near(t Try) {
	s.result.Damaged++
	if text := t.Serial.String(); !slices.Contains(s.result.Near, text) {
		s.result.Near = append(s.result.Near, text)
	}
}

// answerWords says what an answer was; any answer is a find, a refusal too.
func answerWords(err error) (string, bool) {
	var refusal *modbus.ExceptionError
	switch {
	case err == nil:
		return "answers", true
	case errors.As(err, &refusal):
		if code := frame.Exception(refusal.Code); code == frame.GatewayPathMissing || code == frame.GatewayTargetFailure {
			return "", false // the gateway speaks, for a device that is not there
		}
		return "answers, with " + frame.Exception(refusal.Code).Error(), true
	}
	return "", false
}

func (s *sweeper) found(t Try, words string, reply time.Duration, slow bool) {
	f := Found{Serial: t.Serial, Unit: t.Unit, Answer: words, ReplyMS: millis(reply), Slow: slow}
	if s.line.Serial {
		f.Setting = t.Serial.String()
	}
	s.result.Found = append(s.result.Found, f)
	if s.tell != nil {
		s.tell(Step{Try: t, Done: s.result.Tried, Of: s.result.Of, Found: &f})
	}
}

// Introduce asks a device that was found who it is (43/14) and notes the answer.
func Introduce(ctx context.Context, session *Session, f *Found) {
	texts, err := session.Identify(ctx, f.Unit, slowTimeout/2)
	var refusal *modbus.ExceptionError
	switch {
	case err == nil:
		f.Identity = texts
	case errors.As(err, &refusal):
		f.WhyNot = "it does not know device identification (" + frame.Exception(refusal.Code).Error() + ")"
	default:
		f.WhyNot = "it does not answer to device identification"
	}
}

func millis(d time.Duration) float64 {
	return float64(d.Round(10*time.Microsecond)) / float64(time.Millisecond)
}
