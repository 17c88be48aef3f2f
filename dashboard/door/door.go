package door

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"
)

// Options are what a Door needs. Dir must be set.
type Options struct {
	Dir string // of people.json and its neighbours; made when first needed
	// Tell keeps an event of what changed; nil: it waits in people.json for the
	// next agent.
	Tell func(text string, data map[string]string)
	Log  *slog.Logger     // nil: nothing
	Now  func() time.Time // nil: time.Now
	// OperateIdle and LookIdle are how long a session lasts without use; 0: the
	// constants of these names.
	OperateIdle, LookIdle time.Duration
}

// Door knows who may come in. Its methods may be called from several goroutines.
type Door struct {
	o        Options
	hashing  *hashing
	attempts *attempts

	// writing is held while a file is written, so that nobody who only comes in
	// waits for a slow disk.
	writing sync.Mutex

	mu       sync.Mutex // protects what follows
	people   *people
	damage   error // why nobody can sign in
	sessions map[[32]byte]*Session
	ended    map[[32]byte]string // why sessions that were there are over
	code     setUpCode
	scrape   [32]byte // SHA-256 of the scrape token; zero: there is none
}

// Open reads who may come in. It always returns a Door: where people.json cannot
// be used, nobody comes in by it, Damage says why, and recording goes on.
func Open(o Options) *Door {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	d := &Door{o: o, hashing: newHashing(), attempts: newAttempts(), sessions: map[[32]byte]*Session{}, ended: map[[32]byte]string{}}
	if err := tighten(o.Dir); err != nil {
		o.Log.Warn("others on this computer may read who may sign in", "err", err)
	}
	d.people, d.damage = readPeople(o.Dir)
	if d.damage != nil {
		o.Log.Error("nobody can sign in", "err", d.damage)
		d.people = &people{Version: peopleVersion}
	}
	d.tellUntold()
	return d
}

// tellUntold hands on what was changed while no agent ran.
func (d *Door) tellUntold() {
	if d.o.Tell == nil || len(d.people.Untold) == 0 {
		return
	}
	for _, u := range d.people.Untold {
		d.o.Tell(u.Text, u.Data)
	}
	told := d.people.copied()
	told.Untold = nil
	if err := told.write(d.o.Dir); err != nil {
		d.o.Log.Warn("changes of people are told again at the next start", "err", err)
	}
	d.people = told
}

// Damage says why nobody can sign in; nil: they can.
func (d *Door) Damage() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.damage
}

// NeedsSetUp reports that there is no person yet.
func (d *Door) NeedsSetUp() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.damage == nil && len(d.people.People) == 0
}

// NewCode makes the set-up code of the first person; the one before no longer
// counts.
func (d *Door) NewCode() (string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.damage != nil {
		return "", d.damage
	}
	if len(d.people.People) > 0 {
		return "", errors.New("there is a person already: a set-up code is for the first one alone; add others with loadscribe people add, " +
			"give somebody a new password with loadscribe people password")
	}
	var text string
	text, d.code = newCode(d.o.Now())
	return text, nil
}

// Origin is where a request comes from.
type Origin struct {
	Address string // IP address
	Ours    bool   // of this computer
}

// begin lets an attempt through. An event says at most once an hour that one was
// not.
func (d *Door) begin(name string, from Origin) (*attempt, error) {
	t, err := d.attempts.begin(d.o.Now(), name, from.Address, from.Ours)
	if limited := (*LimitedError)(nil); errors.As(err, &limited) && limited.After > bucketEvery && d.attempts.tellNow(d.o.Now()) {
		data := map[string]string{"action": "limited", "from": from.Address}
		d.mu.Lock()
		if i := d.people.find(name); i >= 0 { // what else is typed there may be a password
			data["person"] = d.people.People[i].Name
		}
		d.mu.Unlock()
		text := "attempts to sign in are limited: many were wrong, the last from " + from.Address
		if data["person"] != "" {
			text += " as " + data["person"]
		}
		d.tell(text, data)
	}
	return t, err
}

// SetUp makes the first person, who may operate, and signs them in. The code is
// that of NewCode.
func (d *Door) SetUp(ctx context.Context, code, name, password string, from Origin) (token string, err error) {
	if err := d.Damage(); err != nil {
		return "", err
	}
	if err := checkName(name); err != nil {
		return "", err
	}
	if err := checkPassword("password", name, password); err != nil {
		return "", err
	}
	t, err := d.begin("", from)
	if err != nil {
		return "", err
	}
	d.writing.Lock()
	defer d.writing.Unlock()
	if err := d.tryCode(code); err != nil {
		return "", err
	}
	t.right(d.o.Now())
	text, err := d.hashing.make(ctx, password)
	if err != nil {
		return "", err
	}
	err = d.change("the first person is set up: "+name, map[string]string{"action": "set-up", "person": name, "role": string(Operate)},
		func(p *people, now time.Time) error { return p.put(name, Operate, text, now) })
	if err != nil {
		return "", err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.code = setUpCode{}
	return d.letIn(name, from), nil
}

func (d *Door) tryCode(code string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.people.People) > 0 {
		return wrong("code", "somebody has been set up already: sign in")
	}
	return d.code.try(code, d.o.Now())
}

// letIn begins a session under d.mu.
func (d *Door) letIn(name string, from Origin) string {
	now := d.o.Now()
	if i := d.people.find(name); i >= 0 {
		d.people.People[i].LastIn = &now // kept with the next change: a sign-in waits for no disk
		name = d.people.People[i].Name
	}
	token, _ := d.openSession(name, from.Address, now)
	return token
}

// SignIn checks name and password and begins a session. A session that the
// browser had before is not taken over.
func (d *Door) SignIn(ctx context.Context, name, password string, from Origin) (token string, err error) {
	if err := d.Damage(); err != nil {
		return "", err
	}
	kept, err := d.checkPair(ctx, name, password, from)
	if err != nil {
		return "", err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if i := d.people.find(name); i < 0 || d.people.People[i].hash != kept { // removed or changed meanwhile
		return "", ErrWrongPair
	}
	return d.letIn(name, from), nil
}

// checkPair returns the hash that the password fits. It takes the same work for
// a name that does not exist.
func (d *Door) checkPair(ctx context.Context, name, password string, from Origin) (*hash, error) {
	if len(name) > 4*mostName || len(password) > 4*mostPassword {
		return nil, ErrWrongPair
	}
	t, err := d.begin(name, from)
	if err != nil {
		return nil, err
	}
	kept := nobodys()
	d.mu.Lock()
	i := d.people.find(name)
	if i >= 0 {
		kept = d.people.People[i].hash
	}
	d.mu.Unlock()
	fits, err := d.hashing.fits(ctx, password, kept)
	if err != nil {
		return nil, err
	}
	if !fits || i < 0 {
		return nil, ErrWrongPair
	}
	t.right(d.o.Now())
	return kept, nil
}

func (d *Door) tell(text string, data map[string]string) {
	if d.o.Tell != nil {
		d.o.Tell(text, data)
	}
}
