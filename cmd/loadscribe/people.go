package main

import (
	"context"
	"errors"
	"fmt"
	"text/tabwriter"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
)

type peopleCmd struct {
	List        peopleListCmd     `cmd:"" default:"withargs" help:"List who may sign in."`
	Add         peopleAddCmd      `cmd:"" help:"Let somebody sign in; asks for a password, or reads it from standard input."`
	Role        peopleRoleCmd     `cmd:"" help:"Change what somebody may do: look or operate."`
	Password    peoplePasswordCmd `cmd:"" help:"Give somebody a new password, which ends their sessions; asks for it, or reads it from standard input."`
	Remove      peopleRemoveCmd   `cmd:"" help:"Take somebody's way in away, which ends their sessions."`
	Code        peopleCodeCmd     `cmd:"" help:"Print a new set-up code for the first person (needs a running agent)."`
	Sessions    peopleSessionsCmd `cmd:"" help:"List who is signed in where (needs a running agent)."`
	End         peopleEndCmd      `cmd:"" help:"End a session by its id (needs a running agent)."`
	ScrapeToken peopleScrapeCmd   `cmd:"" help:"Print the token that a scrape of /metrics bears."`
}

// The answers of the API, as far as they are printed.
type (
	peopleAnswer struct {
		People []personAnswer `json:"people"`
	}
	personAnswer struct {
		Name     string     `json:"name"`
		Role     string     `json:"role"`
		Made     time.Time  `json:"made"`
		LastIn   *time.Time `json:"last_in"`
		Sessions int        `json:"sessions"`
	}
	sessionsAnswer struct {
		Sessions []struct {
			ID    string    `json:"id"`
			Name  string    `json:"name"`
			Began time.Time `json:"began"`
			Last  time.Time `json:"last"`
			From  string    `json:"from"`
		} `json:"sessions"`
	}
)

type peopleListCmd struct {
	siteFlags
	JSON bool `help:"Print JSON."`
}

func (c *peopleListCmd) Run(s *surroundings) error {
	return withPeople(s, &c.siteFlags, func(site *sitefile.Site, p peopleKept) error {
		all, err := p.list(s.ctx)
		if err != nil {
			return err
		}
		if c.JSON {
			return printJSON(s.stdout, all)
		}
		if len(all.People) == 0 {
			fmt.Fprintln(s.stdout, "Nobody may sign in yet: loadscribe people add NAME, or the page with a set-up code.")
			return nil
		}
		out := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
		fmt.Fprintln(out, "name\trole\tsince\tlast signed in\tsessions")
		for _, one := range all.People {
			last := "-"
			if one.LastIn != nil {
				last = one.LastIn.In(site.Location).Format(peopleTime)
			}
			fmt.Fprintf(out, "%s\t%s\t%s\t%s\t%d\n", one.Name, one.Role, one.Made.In(site.Location).Format(peopleTime), last, one.Sessions)
		}
		return out.Flush()
	})
}

const peopleTime = "2006-01-02 15:04 MST"

type peopleAddCmd struct {
	Name string `arg:"" help:"The name to sign in with."`
	siteFlags
	Role string `default:"look" help:"What they may do: look (default) or operate." placeholder:"ROLE"`
}

func (c *peopleAddCmd) Run(s *surroundings) error {
	return withPeople(s, &c.siteFlags, func(_ *sitefile.Site, p peopleKept) error {
		all, err := p.list(s.ctx)
		if err != nil {
			return err
		}
		if all.find(c.Name) != nil {
			return misuse{fmt.Errorf("%s may sign in already: change that with people role or people password", c.Name)}
		}
		password, err := askPassword(s, c.Name)
		if err != nil {
			return err
		}
		if err := p.put(s.ctx, c.Name, c.Role, password); err != nil {
			return err
		}
		fmt.Fprintf(s.stdout, "%s may sign in, to %s\n", c.Name, c.Role)
		return nil
	})
}

type peopleRoleCmd struct {
	Name string `arg:"" help:"Whose role."`
	Role string `arg:"" help:"look or operate."`
	siteFlags
}

func (c *peopleRoleCmd) Run(s *surroundings) error {
	return withPeople(s, &c.siteFlags, func(_ *sitefile.Site, p peopleKept) error {
		if err := known(s.ctx, p, c.Name); err != nil {
			return err
		}
		if err := p.put(s.ctx, c.Name, c.Role, ""); err != nil {
			return err
		}
		fmt.Fprintf(s.stdout, "%s may %s from now on\n", c.Name, c.Role)
		return nil
	})
}

type peoplePasswordCmd struct {
	Name string `arg:"" help:"Whose password."`
	siteFlags
}

func (c *peoplePasswordCmd) Run(s *surroundings) error {
	return withPeople(s, &c.siteFlags, func(_ *sitefile.Site, p peopleKept) error {
		if err := known(s.ctx, p, c.Name); err != nil {
			return err
		}
		password, err := askPassword(s, c.Name)
		if err != nil {
			return err
		}
		if err := p.put(s.ctx, c.Name, "", password); err != nil {
			return err
		}
		fmt.Fprintf(s.stdout, "%s has a new password; sessions that were open are over\n", c.Name)
		return nil
	})
}

type peopleRemoveCmd struct {
	Name string `arg:"" help:"Who may no longer sign in."`
	siteFlags
}

func (c *peopleRemoveCmd) Run(s *surroundings) error {
	return withPeople(s, &c.siteFlags, func(_ *sitefile.Site, p peopleKept) error {
		if err := p.remove(s.ctx, c.Name); err != nil {
			return err
		}
		fmt.Fprintf(s.stdout, "%s may no longer sign in\n", c.Name)
		return nil
	})
}

type peopleCodeCmd struct{ siteFlags }

func (c *peopleCodeCmd) Run(s *surroundings) error {
	_, r, err := c.running(s)
	if err != nil {
		return err
	}
	defer r.Close()
	var made struct {
		Code string `json:"code"`
	}
	if err := peopleMistake((&peopleAsked{r}).post(s.ctx, "/api/v1/door/code", struct{}{}, &made)); err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s\n", made.Code)
	fmt.Fprintln(s.stderr, "good for an hour, ten tries and one person: enter it on the page, with a name and a password")
	if r.in.Fingerprint != "" {
		fmt.Fprintf(s.stderr, "the certificate that the browser warns of must have this fingerprint (SHA-256): %s\n", r.in.Fingerprint)
	}
	return nil
}

type peopleSessionsCmd struct {
	siteFlags
	JSON bool `help:"Print JSON."`
}

func (c *peopleSessionsCmd) Run(s *surroundings) error {
	site, r, err := c.running(s)
	if err != nil {
		return err
	}
	defer r.Close()
	var all sessionsAnswer
	if err := r.read(s.ctx, "/api/v1/door/sessions", nil, &all); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.stdout, all)
	}
	if len(all.Sessions) == 0 {
		fmt.Fprintln(s.stdout, "Nobody is signed in.")
		return nil
	}
	out := tabwriter.NewWriter(s.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(out, "id\tname\tbegan\tlast used\tfrom")
	for _, one := range all.Sessions {
		fmt.Fprintf(out, "%s\t%s\t%s\t%s\t%s\n", one.ID, one.Name, one.Began.In(site.Location).Format(peopleTime), one.Last.In(site.Location).Format(peopleTime), one.From)
	}
	return out.Flush()
}

type peopleEndCmd struct {
	ID string `arg:"" name:"id" help:"The session's id, of people sessions."`
	siteFlags
}

func (c *peopleEndCmd) Run(s *surroundings) error {
	if err := askRunning(s, &c.siteFlags, "/api/v1/door/sessions/end", map[string]string{"id": c.ID}, &sessionsAnswer{}); err != nil {
		return err
	}
	fmt.Fprintln(s.stdout, "ended")
	return nil
}

type peopleScrapeCmd struct {
	siteFlags
	New bool `help:"Make a new one; the old one no longer counts."`
}

func (c *peopleScrapeCmd) Run(s *surroundings) error {
	return withPeople(s, &c.siteFlags, func(_ *sitefile.Site, p peopleKept) error {
		token, err := p.scrapeToken(s.ctx, c.New)
		if err != nil {
			return err
		}
		fmt.Fprintln(s.stdout, token)
		return nil
	})
}

func (a *peopleAnswer) find(name string) *personAnswer {
	for i := range a.People {
		if sameName(a.People[i].Name, name) {
			return &a.People[i]
		}
	}
	return nil
}

// known refuses a name that nobody has, which would otherwise be added.
func known(ctx context.Context, p peopleKept, name string) error {
	all, err := p.list(ctx)
	if err == nil && all.find(name) == nil {
		err = misuse{fmt.Errorf("nobody is named %q: loadscribe people list tells who is there", name)}
	}
	return err
}

// peopleMistake makes a wrong use of what the door says of a field.
func peopleMistake(err error) error {
	var field *agent.FieldError
	if errors.As(err, &field) {
		return misuse{errors.New(field.Message)}
	}
	return err
}
