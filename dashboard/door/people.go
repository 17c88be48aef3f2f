package door

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Role is what a person may do.
type Role string

// Look sees everything that is recorded; Operate may also say things (notes,
// marks, tests), read the site file, copy the record and manage people.
const (
	Look    Role = "look"
	Operate Role = "operate"
)

const (
	peopleFile    = "people.json"
	peopleVersion = 1
	mostPeople    = 200
	mostName      = 64 // characters
	mostUntold    = 100
)

// person is one entry of people.json.
type person struct {
	Name     string     `json:"name"`
	Role     Role       `json:"role"`
	Password string     `json:"password"` // argon2id
	Made     time.Time  `json:"made"`
	LastIn   *time.Time `json:"last_in"`

	hash *hash
}

// untold is a change that was made while no agent ran, for the next one's events.
type untold struct {
	At   time.Time         `json:"at"`
	Text string            `json:"text"`
	Data map[string]string `json:"data"`
}

// people is people.json.
type people struct {
	Version int      `json:"version"`
	People  []person `json:"people"`
	Untold  []untold `json:"untold,omitempty"`
}

// readPeople reads people.json; where there is none, nobody is there. An error
// wraps ErrDamaged: then nobody may be taken to be absent.
func readPeople(dir string) (*people, error) {
	path := filepath.Join(dir, peopleFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return &people{Version: peopleVersion}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %w; let this user read it, then start again", ErrDamaged, err)
	}
	var version struct {
		Version int `json:"version"`
	}
	if json.Unmarshal(text, &version) == nil && version.Version > peopleVersion {
		return nil, fmt.Errorf("%w: %s is of a newer loadscribe (version %d): start that one", ErrDamaged, path, version.Version)
	}
	p := &people{}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	err = d.Decode(p)
	if err == nil {
		if _, end := d.Token(); !errors.Is(end, io.EOF) {
			err = errors.New("something stands behind its end")
		}
	}
	if err == nil {
		err = p.check()
	}
	if err != nil {
		return nil, fmt.Errorf("%w: %s is damaged (%w); bring back a copy, or rename it and start again to set up the first person anew", ErrDamaged, path, err)
	}
	return p, nil
}

func (p *people) check() error {
	if p.Version != peopleVersion {
		return fmt.Errorf("version %d", p.Version)
	}
	for i := range p.People {
		who := &p.People[i]
		if err := checkName(who.Name); err != nil {
			return err
		}
		if p.find(who.Name) != i {
			return fmt.Errorf("%q is there twice", who.Name)
		}
		if who.Role != Look && who.Role != Operate {
			return fmt.Errorf("%q has the role %q", who.Name, who.Role)
		}
		var err error
		if who.hash, err = decode(who.Password); err != nil {
			return fmt.Errorf("password of %q: %w", who.Name, err)
		}
	}
	return nil
}

// find is where a person is, -1 if nowhere. Upper and lower case are alike.
func (p *people) find(name string) int {
	return slices.IndexFunc(p.People, func(who person) bool { return strings.EqualFold(who.Name, name) })
}

// operators counts those who may operate, but for one.
func (p *people) operators(but string) (n int) {
	for i := range p.People {
		if p.People[i].Role == Operate && !strings.EqualFold(p.People[i].Name, but) {
			n++
		}
	}
	return n
}

// copied is a copy whose lists may be changed.
func (p *people) copied() *people {
	return &people{p.Version, slices.Clone(p.People), slices.Clone(p.Untold)}
}

func (p *people) write(dir string) error {
	text, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return fmt.Errorf("write %s: %w", peopleFile, err)
	}
	return keepFile(dir, peopleFile, append(text, '\n'))
}

// checkName says what is wrong with a person's name.
func checkName(name string) error {
	switch {
	case name == "":
		return wrong("name", "the name is missing")
	case !utf8.ValidString(name) || utf8.RuneCountInString(name) > mostName:
		return wrong("name", "a name has at most %d characters", mostName)
	case strings.TrimSpace(name) != name:
		return wrong("name", "the name begins or ends with a blank")
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return wrong("name", "a name has no characters that cannot be seen")
	}
	return nil
}

func checkRole(role Role) error {
	if role != Look && role != Operate {
		return wrong("role", "the role is look or operate, not %q", role)
	}
	return nil
}
