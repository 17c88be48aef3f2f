package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/term"

	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/dashboard/door"
)

// peopleKept is where it is kept who may sign in: with a running agent, or in the
// files of a stopped one.
type peopleKept interface {
	list(ctx context.Context) (peopleAnswer, error)
	// put adds or changes somebody; what is empty stays.
	put(ctx context.Context, name, role, password string) error
	remove(ctx context.Context, name string) error
	scrapeToken(ctx context.Context, anew bool) (string, error)
}

// withPeople calls fn with the people of a site. Of a stopped agent it holds the
// data directory meanwhile, lest one start that reads the files before.
func withPeople(s *surroundings, f *siteFlags, fn func(*sitefile.Site, peopleKept) error) error {
	site, err := f.load()
	if err != nil {
		return err
	}
	release, err := store.Hold(site.Agent.DataDir)
	if err == nil {
		d := door.Open(door.Options{Dir: filepath.Join(site.Agent.DataDir, doorFolder), Log: s.logger()})
		err = fn(site, &peopleFiles{d})
		return errors.Join(err, release())
	}
	if !errors.Is(err, store.ErrLocked) {
		return err
	}
	r, err := reach(s, site)
	if err != nil {
		return err
	}
	defer r.Close()
	return fn(site, &peopleAsked{r})
}

// running finds the agent that must run.
func (f *siteFlags) running(s *surroundings) (*sitefile.Site, *running, error) {
	site, err := f.load()
	if err != nil {
		return nil, nil, err
	}
	release, err := store.Hold(site.Agent.DataDir)
	if err == nil {
		return nil, nil, errors.Join(fmt.Errorf("no agent runs on %s, and without one nobody can sign in or be signed in: start it with loadscribe run --site %s", site.Agent.DataDir, site.Path), release())
	}
	if !errors.Is(err, store.ErrLocked) {
		return nil, nil, err
	}
	r, err := reach(s, site)
	return site, r, err
}

// askRunning posts to the agent that must run.
func askRunning(s *surroundings, f *siteFlags, path string, body, into any) error {
	_, r, err := f.running(s)
	if err != nil {
		return err
	}
	defer r.Close()
	return peopleMistake((&peopleAsked{r}).post(s.ctx, path, body, into))
}

// peopleAsked asks a running agent.
type peopleAsked struct{ r *running }

func (p *peopleAsked) post(ctx context.Context, path string, body, into any) error {
	content, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("ask %s: %w", path, err)
	}
	answer, err := p.r.send(ctx, http.MethodPost, path, content)
	if err != nil {
		return err
	}
	return decodeAnswer(answer, into)
}

func (p *peopleAsked) list(ctx context.Context) (all peopleAnswer, err error) {
	err = p.r.read(ctx, "/api/v1/door/people", nil, &all)
	return all, err
}

func (p *peopleAsked) put(ctx context.Context, name, role, password string) error {
	body := map[string]string{"name": name}
	if role != "" {
		body["role"] = role
	}
	if password != "" {
		body["password"] = password
	}
	return peopleMistake(p.post(ctx, "/api/v1/door/people", body, &peopleAnswer{}))
}

func (p *peopleAsked) remove(ctx context.Context, name string) error {
	return peopleMistake(p.post(ctx, "/api/v1/door/people/remove", map[string]string{"name": name}, &peopleAnswer{}))
}

func (p *peopleAsked) scrapeToken(ctx context.Context, anew bool) (string, error) {
	var made struct {
		Token string `json:"token"`
	}
	err := p.post(ctx, "/api/v1/door/scrape-token", map[string]bool{"new": anew}, &made)
	return made.Token, err
}

// peopleFiles changes the files of a stopped agent.
type peopleFiles struct{ d *door.Door }

// byCommand is who changed something, for the event.
const byCommand = "a local command"

func (p *peopleFiles) list(context.Context) (all peopleAnswer, err error) {
	if err := p.d.Damage(); err != nil {
		return all, err
	}
	all.People = []personAnswer{}
	for _, one := range p.d.People() {
		all.People = append(all.People, personAnswer{one.Name, string(one.Role), one.Made, one.LastIn, one.Sessions})
	}
	return all, nil
}

func (p *peopleFiles) put(ctx context.Context, name, role, password string) error {
	return doorMistake(p.d.AddOrChange(ctx, byCommand, name, door.Role(role), password))
}

func (p *peopleFiles) remove(_ context.Context, name string) error {
	return doorMistake(p.d.Remove(byCommand, name))
}

func (p *peopleFiles) scrapeToken(_ context.Context, anew bool) (string, error) {
	return p.d.ScrapeToken(anew)
}

func doorMistake(err error) error {
	var field *door.FieldError
	if errors.As(err, &field) {
		return misuse{errors.New(field.Message)}
	}
	if errors.Is(err, door.ErrNobody) || errors.Is(err, door.ErrLastOperator) {
		return misuse{err}
	}
	return err
}

func sameName(a, b string) bool { return strings.EqualFold(a, b) }

// askPassword asks on the terminal, where it is not shown, or reads one line of
// standard input. A flag would stand in the list of processes and in the shell's
// history.
func askPassword(s *surroundings, name string) (string, error) {
	terminal := int(os.Stdin.Fd())
	if !term.IsTerminal(terminal) {
		line, err := bufio.NewReader(io.LimitReader(os.Stdin, 4096)).ReadString('\n')
		if line = strings.TrimRight(line, "\r\n"); line == "" {
			return "", misuse{fmt.Errorf("standard input holds no password (%w): give it on its first line", err)}
		}
		return line, nil
	}
	fmt.Fprintf(s.stderr, "Password for %s: ", name)
	first, err := term.ReadPassword(terminal)
	fmt.Fprintln(s.stderr)
	if err != nil {
		return "", fmt.Errorf("read the password: %w", err)
	}
	fmt.Fprint(s.stderr, "Once more: ")
	second, err := term.ReadPassword(terminal)
	fmt.Fprintln(s.stderr)
	if err != nil {
		return "", fmt.Errorf("read the password: %w", err)
	}
	if string(first) != string(second) {
		return "", misuse{errors.New("the two are not the same: nothing was changed")}
	}
	return string(first), nil
}
