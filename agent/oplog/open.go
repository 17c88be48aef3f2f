package oplog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"
)

// Notice is the level of what an owner looks for though nothing is wrong: start and stop.
const Notice = slog.Level(2)

// ErrFile is returned where the log's file can never be written: its path is a directory.
var ErrFile = errors.New("the log's path is a directory")

// Options say where lines go. The zero value of each part leaves it out.
type Options struct {
	Stderr io.Writer
	// Journal makes lines on Stderr what systemd's journal wants: they begin with the
	// priority and carry no time, since the journal has its own.
	Journal bool
	// File is the path of a file that rotates. Its directory is made where it is missing.
	File string
	// MostBytes bounds the file, Keep how many there are, that one included; 0: 5 MB, 5.
	MostBytes int64
	Keep      int
	// System takes what belongs into the system's event log: warnings, errors, and what
	// is logged as Notice. It is called from one goroutine.
	System func(level slog.Level, text string)
}

// closeBudget is how long the last lines may take to be written.
const closeBudget = 500 * time.Millisecond

// Open opens a log. shut writes what waits and closes it, within half a second, and
// returns what could not be written; the Logger is not used afterwards. An error is
// returned for what a person must mend (ErrFile); a file that cannot be opened now, such
// as on a full disk, is told to the other places and tried again.
func Open(o Options) (log *slog.Logger, shut func() error, err error) {
	var handlers []slog.Handler
	var places []*place
	add := func(p *place, h slog.Handler) { places, handlers = append(places, p), append(handlers, h) }
	if o.Stderr != nil {
		p := newPlace("standard error", writeTo(o.Stderr))
		if o.Journal {
			add(p, newJournal(p))
		} else {
			add(p, newText(p))
		}
	}
	if o.File != "" {
		if info, err := os.Stat(o.File); err == nil && info.IsDir() {
			return nil, nil, fmt.Errorf("log to %s: %w: give a file's name under [agent] log or --log", o.File, ErrFile)
		}
		p := newPlace(o.File, nil)
		f := newRotating(o.File, o.MostBytes, o.Keep)
		p.write, p.shut = f.write, f.close
		add(p, newText(p))
	}
	if o.System != nil {
		p := newPlace("the system's event log", nil)
		add(p, newSystem(p, o.System))
	}
	r := newRepeats(slog.NewMultiHandler(handlers...))
	for _, p := range places {
		p.troubled = r.tell
		p.start()
	}
	stop := r.start()
	return slog.New(r.handler()), func() error {
		stop()
		ctx, cancel := context.WithTimeout(context.Background(), closeBudget)
		defer cancel()
		var err error
		for _, p := range places {
			err = errors.Join(err, p.close(ctx))
		}
		return err
	}, nil
}

func writeTo(w io.Writer) func(line) error {
	return func(l line) error {
		_, err := w.Write(l.text)
		return err
	}
}
