package service

import (
	"errors"
	"fmt"
	"io"
)

// step is one thing that is done, and how it is taken back.
type step struct {
	say  string
	do   func() error
	undo func() error // nil: there is nothing to take back
}

// carryOut does the steps in order and says each. When one fails, those before it and
// what that one had begun are taken back, the last first.
func carryOut(out io.Writer, steps []step) error {
	for i, s := range steps {
		fmt.Fprintf(out, "  %s\n", s.say)
		err := s.do()
		if err == nil {
			continue
		}
		err = fmt.Errorf("%s: %w", s.say, err)
		for j := i; j >= 0; j-- {
			if steps[j].undo == nil {
				continue
			}
			if other := steps[j].undo(); other != nil {
				err = errors.Join(err, fmt.Errorf("taking back %q: %w", steps[j].say, other))
			}
		}
		fmt.Fprintln(out, "  taken back: all of the above")
		return err
	}
	return nil
}
