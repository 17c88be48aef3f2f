package messenger

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"loadscribe/agent/outward"
)

// Options of a Messenger.
type Options struct {
	Log  *slog.Logger // nil: nothing is logged
	Site string       // name of the site, for test messages

	files outward.Files // nil: the system's
}

// Messenger keeps messages until their targets have taken them. Its methods may
// be called by many goroutines at once; Run once.
type Messenger struct {
	site   string
	lanes  []*lane
	byName map[string]*lane
}

// Open reads the messages that an earlier run left below dir. It fails only where
// two targets have one name: a disk that takes nothing is logged, and messages
// then wait in memory. Nothing is sent before Run.
func Open(dir string, targets []Target, o Options) (*Messenger, error) {
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	if o.files == nil {
		o.files = outward.Disk{}
	}
	m := &Messenger{site: o.Site, byName: map[string]*lane{}}
	now := time.Now()
	folders := map[string]bool{damagedDir: true}
	for _, t := range targets {
		if m.byName[t.Name()] != nil {
			return nil, fmt.Errorf("open messages: two targets are named %q", t.Name())
		}
		folder := outward.FolderOf(t.Name())
		folders[folder] = true
		log := log.With("target", t.Name())
		l := &lane{target: t, log: log, wake: make(chan struct{}, 1), untidy: make(chan struct{}, 1), testing: make(chan struct{}, 1),
			queue: &queue{dir: filepath.Join(dir, folder), files: o.files, log: log}}
		damaged := l.queue.load(now)
		earlier := l.queue.tally
		l.state = TargetState{LastSentMS: earlier.LastSentMS, FailingSinceMS: earlier.FailingSinceMS, GivenUp: earlier.GivenUp + damaged,
			Sent: earlier.Sent}
		m.lanes, m.byName[t.Name()] = append(m.lanes, l), l
	}
	tellOrphans(dir, folders, log)
	return m, nil
}

// tellOrphans tells of messages whose target the site file no longer has.
func tellOrphans(dir string, folders map[string]bool, log *slog.Logger) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return // there is none yet, or the queues have told of it
	}
	for _, e := range entries {
		if folders[e.Name()] {
			continue
		}
		files, err := os.ReadDir(filepath.Join(dir, e.Name()))
		files = slices.DeleteFunc(files, func(f os.DirEntry) bool { return filepath.Ext(f.Name()) != letterEnding })
		if err == nil && len(files) > 0 {
			log.Warn("messages wait for a target that is no longer set up; they go out if it comes back", "folder", e.Name(), "messages", len(files))
		}
	}
}

// Send queues a message for the targets of these names; nil: for all. It is on
// the disk, or delivered already, when Send returns nil. An error that wraps ErrNotSafe says that a
// target's disk does not take it: it waits in memory and goes out as well. Send
// takes as long as the disk takes: it is not for a loop that must not wait.
func (m *Messenger) Send(to []string, msg Message) error {
	lanes, kept, errs := m.queue(to, msg)
	for i, l := range lanes {
		if err := l.queue.keep(kept[i]); err != nil {
			errs = append(errs, fmt.Errorf("message to %s: %w", l.target.Name(), err))
			tidySoon(l.untidy)
		}
	}
	return errors.Join(errs...)
}

// Post is Send without a wait for the disk: Run brings the message there as soon as it
// takes it, and sends it meanwhile. A disk that hangs holds up neither.
func (m *Messenger) Post(to []string, msg Message) error {
	lanes, _, errs := m.queue(to, msg)
	for _, l := range lanes {
		tidySoon(l.untidy)
	}
	return errors.Join(errs...)
}

// queue queues a message in memory, before any disk is asked, for the targets of these
// names.
func (m *Messenger) queue(to []string, msg Message) (lanes []*lane, kept []*waiting, errs []error) {
	lanes = m.lanes
	if to != nil {
		lanes = nil
		for _, name := range to {
			l := m.byName[name]
			if l == nil {
				errs = append(errs, fmt.Errorf("%w: %q", ErrNoTarget, name))
				continue
			}
			lanes = append(lanes, l)
		}
	}
	msg = msg.fitted()
	for _, l := range lanes {
		kept = append(kept, l.queued(msg))
	}
	return lanes, kept, errs
}

// Run sends until ctx ends, and returns when no attempt is under way any more.
// What has not been delivered stays on the disk.
func (m *Messenger) Run(ctx context.Context) error {
	var all sync.WaitGroup
	for _, l := range m.lanes {
		sending, sent := context.WithCancel(context.WithoutCancel(ctx))
		all.Go(func() {
			defer sent()
			l.run(ctx)
		})
		all.Go(func() { l.keep(sending) })
	}
	all.Wait()
	return nil
}

// State is how it stands with each target, in the order of Open.
func (m *Messenger) State() []TargetState {
	all := make([]TargetState, len(m.lanes))
	for i, l := range m.lanes {
		all[i] = l.now()
	}
	return all
}

// Test sends a test message past the queue and returns what the target answers.
// Where it is taken, what waits is tried at once. It takes a minute at most.
func (m *Messenger) Test(ctx context.Context, target string) (answer string, err error) {
	l := m.byName[target]
	if l == nil {
		return "", fmt.Errorf("%w: %q; there are %s", ErrNoTarget, target, m.names())
	}
	select {
	case l.testing <- struct{}{}:
		defer func() { <-l.testing }()
	default:
		return "", ErrBusy
	}
	ctx, cancel := context.WithTimeout(ctx, attemptTime)
	defer cancel()
	msg := Message{ID: "test-" + strings.ToLower(rand.Text()), Kind: KindTest, AtMS: time.Now().UnixMilli(), Site: m.site,
		Subject: "test message", Text: "This is a test message. If you can read it, alarms reach you on this way."}.fitted()
	answer, err = l.target.Deliver(ctx, &msg, 0)
	if err != nil {
		return "", fmt.Errorf("test message to %s: %w", target, err)
	}
	l.wentWell("", true)
	l.poke(true)
	return answer, nil
}

func (m *Messenger) names() string {
	if len(m.lanes) == 0 {
		return "none: the site file has neither [mail] nor [[webhook]]"
	}
	names := make([]string, len(m.lanes))
	for i, l := range m.lanes {
		names[i] = l.target.Name()
	}
	return strings.Join(names, ", ")
}
