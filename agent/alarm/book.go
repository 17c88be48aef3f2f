package alarm

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// MostShelved is the longest time for which an alarm may be shelved.
const MostShelved = 7 * 24 * time.Hour

// What a person's request may be refused for.
var (
	// ErrNoAlarm: no alarm of that id stands.
	ErrNoAlarm = errors.New("no alarm of that id stands")
	// ErrNotShelved: nothing of that rule and subject is shelved.
	ErrNotShelved = errors.New("it is not shelved")
)

// Standing is an alarm that has not both returned and been acknowledged.
type Standing struct {
	Record              // the raise
	ReturnedMS    int64 // 0: it has not
	AckMS         int64 // 0: not acknowledged
	AckWho        string
	AckWhy        string
	ShelvedUntil  int64 // filled in by Engine.Standing; 0: not shelved
	untoldShelved bool  // raised while shelved, and not told for that
}

// over reports whether it stands no more. One of low priority needs nobody's word.
func (s *Standing) over() bool {
	return s.ReturnedMS != 0 && (s.AckMS != 0 || s.Priority == "low")
}

// Shelf is a rule, or one subject of it, that is not told for a time.
type Shelf struct {
	Rule, Subject string // Subject empty: all of the rule
	UntilMS       int64
	Who, Why      string
}

// place is what at most one alarm stands of.
type place struct{ rule, subject, part string }

type shelfKey struct{ rule, subject string }

// Book is what stands and what is shelved. It is made of records alone; the zero
// value is not ready: use newBook.
type Book struct {
	standing map[place]*Standing
	shelves  map[shelfKey]Shelf
}

// NewBook makes a book of a history, in the order in which it was stored.
func NewBook(history []Record) *Book {
	b := &Book{standing: map[place]*Standing{}, shelves: map[shelfKey]Shelf{}}
	for i := range history {
		b.take(&history[i])
		if r := &history[i]; r.State == Unshelved && r.Told {
			b.toldAfter(r)
		}
	}
	return b
}

// toldAfter notes that what was raised while shelved was told when the shelf ended.
func (b *Book) toldAfter(r *Record) {
	for _, s := range b.standing {
		_, shelved := b.shelf(s.Rule, s.Subject, r.AtMS)
		if s.untoldShelved && s.Rule == r.Rule && (r.Subject == "" || s.Subject == r.Subject) && !shelved {
			s.untoldShelved, s.Told = false, true
		}
	}
}

// take enters a record.
func (b *Book) take(r *Record) {
	at := place{r.Rule, r.Subject, r.Part}
	switch r.State {
	case Raised:
		s := &Standing{Record: *r}
		_, shelved := b.shelf(r.Rule, r.Subject, r.AtMS)
		s.untoldShelved = shelved && !r.Told
		b.standing[at] = s
	case Returned:
		if s := b.standing[at]; s != nil {
			s.ReturnedMS = cmp.Or(r.AtMS, 1)
			b.tidy(at)
		}
	case Acknowledged:
		if s := b.standing[at]; s != nil && s.ID == r.ID {
			s.AckMS, s.AckWho, s.AckWhy = cmp.Or(r.AtMS, 1), r.Who, r.Why
			b.tidy(at)
		}
	case Shelved:
		b.shelves[shelfKey{r.Rule, r.Subject}] = Shelf{r.Rule, r.Subject, r.UntilMS, r.Who, r.Why}
	case Unshelved:
		delete(b.shelves, shelfKey{r.Rule, r.Subject})
	}
}

func (b *Book) tidy(at place) {
	if b.standing[at].over() {
		delete(b.standing, at)
	}
}

// shelf is what keeps a subject of a rule from being told at a wall time.
func (b *Book) shelf(rule, subject string, nowMS int64) (Shelf, bool) {
	for _, key := range []shelfKey{{rule, subject}, {rule, ""}} {
		if s, ok := b.shelves[key]; ok && s.holds(nowMS) {
			return s, true
		}
	}
	return Shelf{}, false
}

// holds reports whether it is on at a wall time. A clock that is set back by more than
// an hour does not make it longer than it may be.
func (s *Shelf) holds(nowMS int64) bool {
	return s.UntilMS > nowMS && s.UntilMS-nowMS <= (MostShelved+time.Hour).Milliseconds()
}

// Shelves are those that hold at a wall time, in the order of their names.
func (b *Book) Shelves(nowMS int64) []Shelf {
	var all []Shelf
	for _, s := range b.shelves {
		if s.holds(nowMS) {
			all = append(all, s)
		}
	}
	slices.SortFunc(all, func(x, y Shelf) int { return cmp.Or(cmp.Compare(x.Rule, y.Rule), cmp.Compare(x.Subject, y.Subject)) })
	return all
}

// Standing lists what stands: what has not returned first, then the newest first.
func (b *Book) Standing(nowMS int64) []Standing {
	all := make([]Standing, 0, len(b.standing))
	for _, s := range b.standing {
		one := *s
		if shelf, ok := b.shelf(s.Rule, s.Subject, nowMS); ok {
			one.ShelvedUntil = shelf.UntilMS
		}
		all = append(all, one)
	}
	back := func(s *Standing) int { return min(1, int(min(s.ReturnedMS, 1))) }
	slices.SortFunc(all, func(x, y Standing) int {
		return cmp.Or(cmp.Compare(back(&x), back(&y)), cmp.Compare(rank(x.Priority), rank(y.Priority)), cmp.Compare(y.AtMS, x.AtMS), cmp.Compare(x.ID, y.ID))
	})
	return all
}

func rank(priority string) int { return slices.Index([]string{"high", "medium", "low"}, priority) }

// Acknowledge is the record of a person who has taken note.
func (b *Book) Acknowledge(id, who, why string, nowMS int64) (Record, error) {
	for _, s := range b.standing {
		if s.ID != id {
			continue
		}
		r := Record{State: Acknowledged, ID: id, Rule: s.Rule, On: s.On, Subject: s.Subject, Part: s.Part, Priority: s.Priority, Says: s.Says,
			AtMS: nowMS, Who: who, Why: why}
		b.take(&r)
		return r, nil
	}
	return Record{}, fmt.Errorf("%q: %w", id, ErrNoAlarm)
}

// Unshelve is the record of the end of a shelf.
func (b *Book) Unshelve(rule, subject, who, why string, nowMS int64) (Record, error) {
	if _, ok := b.shelves[shelfKey{rule, subject}]; !ok {
		return Record{}, fmt.Errorf("%s: %w", strings.TrimSpace(rule+" "+subject), ErrNotShelved)
	}
	r := Record{State: Unshelved, Rule: rule, Subject: subject, AtMS: nowMS, Who: who, Why: why}
	b.take(&r)
	return r, nil
}

// Shelve is the record of a rule, or one subject of it, that is not to be told until
// then.
func (b *Book) Shelve(rule, subject string, untilMS int64, who, why string, nowMS int64) Record {
	r := Record{State: Shelved, Rule: rule, Subject: subject, AtMS: nowMS, UntilMS: untilMS, Who: who, Why: why}
	b.take(&r)
	return r
}
