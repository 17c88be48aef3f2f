package door

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// PersonInfo tells of a person.
type PersonInfo struct {
	Name     string
	Role     Role
	Made     time.Time
	LastIn   *time.Time // nil: never, as far as is kept
	Sessions int
}

// change changes people.json and what is in memory after it. d.writing is held.
func (d *Door) change(text string, data map[string]string, fn func(p *people, now time.Time) error) error {
	now := d.o.Now()
	d.mu.Lock()
	err := d.damage
	next := d.people.copied()
	d.mu.Unlock()
	if err != nil {
		return err
	}
	if err := fn(next, now); err != nil {
		return err
	}
	if d.o.Tell == nil && len(next.Untold) < mostUntold {
		next.Untold = append(next.Untold, untold{now, text, data})
	}
	if err := next.write(d.o.Dir); err != nil {
		return err
	}
	d.mu.Lock()
	for i := range next.People { // who signed in meanwhile
		if j := d.people.find(next.People[i].Name); j >= 0 {
			next.People[i].LastIn = d.people.People[j].LastIn
		}
	}
	d.people = next
	d.mu.Unlock()
	d.tell(text, data)
	return nil
}

// put adds a person or changes one; an empty role or password stays as it is.
func (p *people) put(name string, role Role, password string, now time.Time) error {
	i := p.find(name)
	if i < 0 {
		if len(p.People) >= mostPeople {
			return wrong("name", "there are %d people already, which is as many as there may be: remove one first", mostPeople)
		}
		i = len(p.People)
		p.People = append(p.People, person{Name: name, Made: now.UTC().Truncate(time.Second)})
	}
	if role != "" {
		if role != Operate && p.People[i].Role == Operate && p.operators(name) == 0 {
			return ErrLastOperator
		}
		p.People[i].Role = role
	}
	if password == "" {
		return nil
	}
	kept, err := decode(password)
	if err != nil {
		return err
	}
	p.People[i].Password, p.People[i].hash = password, kept
	return nil
}

// AddOrChange adds a person, for whom role and password are needed, or changes
// one's role, password or both. A new password ends the person's sessions. by is
// who does it, for the event.
func (d *Door) AddOrChange(ctx context.Context, by, name string, role Role, password string) error {
	if err := checkName(name); err != nil {
		return err
	}
	if role != "" {
		if err := checkRole(role); err != nil {
			return err
		}
	}
	if password != "" {
		if err := checkPassword("password", name, password); err != nil {
			return err
		}
	}
	d.writing.Lock()
	defer d.writing.Unlock()
	action := "changed"
	if d.knows(name) {
		if role == "" && password == "" {
			return wrong("role", "nothing is to be changed: give a role or a password")
		}
	} else {
		action = "added"
		if role == "" {
			return wrong("role", "the role is missing: look or operate")
		}
		if password == "" {
			return wrong("password", "a new person needs a password")
		}
	}
	made := ""
	if password != "" {
		var err error
		if made, err = d.hashing.make(ctx, password); err != nil {
			return err
		}
	}
	data := map[string]string{"action": action, "person": name, "by": by}
	if role != "" {
		data["role"] = string(role)
	}
	if password != "" && action == "changed" {
		data["password"] = "new"
	}
	if err := d.change(changedText(action, name, role, password != "", by), data, func(p *people, now time.Time) error { return p.put(name, role, made, now) }); err != nil {
		return err
	}
	if password != "" {
		d.EndOthers(name, nil, "this session ended: "+by+" gave "+name+" a new password")
	}
	return nil
}

// changedText tells in words what an event of a person's change is about.
func changedText(action, name string, role Role, password bool, by string) string {
	if action == "added" {
		return fmt.Sprintf("%s may sign in, to %s (by %s)", name, role, by)
	}
	var what []string
	if role != "" {
		what = append(what, fmt.Sprintf("may %s from now on", role))
	}
	if password {
		what = append(what, "has a new password")
	}
	return fmt.Sprintf("%s %s (by %s)", name, strings.Join(what, " and "), by)
}

func (d *Door) knows(name string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.people.find(name) >= 0
}

// Remove takes a person's way in away and ends their sessions.
func (d *Door) Remove(by, name string) error {
	d.writing.Lock()
	defer d.writing.Unlock()
	err := d.change(fmt.Sprintf("%s may no longer sign in (by %s)", name, by), map[string]string{"action": "removed", "person": name, "by": by}, func(p *people, _ time.Time) error {
		i := p.find(name)
		if i < 0 {
			return ErrNobody
		}
		if p.People[i].Role == Operate && p.operators(name) == 0 {
			return ErrLastOperator
		}
		p.People = slices.Delete(p.People, i, i+1)
		return nil
	})
	if err == nil {
		d.EndOthers(name, nil, "this session ended: "+name+" may no longer sign in")
	}
	return err
}

// ChangePassword gives the caller a new password and a new session; all others
// of theirs end.
func (d *Door) ChangePassword(ctx context.Context, who *Caller, old, password string, from Origin) (token string, err error) {
	if err := checkPassword("new", who.Name, password); err != nil {
		return "", err
	}
	kept, err := d.checkPair(ctx, who.Name, old, from)
	if err != nil {
		if errors.Is(err, ErrWrongPair) {
			return "", wrong("old", "that is not the password so far")
		}
		return "", err
	}
	d.writing.Lock()
	defer d.writing.Unlock()
	text, err := d.hashing.make(ctx, password)
	if err != nil {
		return "", err
	}
	err = d.change(who.Name+" has a new password", map[string]string{"action": "changed", "person": who.Name, "by": who.Name, "password": "new"},
		func(p *people, now time.Time) error {
			i := p.find(who.Name)
			if i < 0 {
				return ErrNobody
			}
			if p.People[i].hash != kept { // somebody gave them another one meanwhile, to keep out who knows the old
				return wrong("old", "the password has just been changed")
			}
			return p.put(who.Name, "", text, now)
		})
	if err != nil {
		return "", err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.endOthers(who.Name, nil, "this session ended: the password is another one")
	return d.letIn(who.Name, from), nil
}

// People lists who may sign in, by name.
func (d *Door) People() []PersonInfo {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.sweep(d.o.Now())
	list := make([]PersonInfo, 0, len(d.people.People))
	for i := range d.people.People {
		p := &d.people.People[i]
		one := PersonInfo{p.Name, p.Role, p.Made, p.LastIn, 0}
		for _, s := range d.sessions {
			if strings.EqualFold(s.name, p.Name) {
				one.Sessions++
			}
		}
		list = append(list, one)
	}
	slices.SortFunc(list, func(a, b PersonInfo) int { return strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)) })
	return list
}
