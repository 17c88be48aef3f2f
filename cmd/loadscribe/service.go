package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/cmd/loadscribe/service"
)

type serviceCmd struct {
	Install serviceInstallCmd `cmd:"" help:"Check everything, install the service or bring it up to date, and start it."`
	Remove  serviceRemoveCmd  `cmd:"" help:"Stop the service and take it away; site file and data stay."`
	Start   serviceStartCmd   `cmd:"" help:"Start the service."`
	Stop    serviceStopCmd    `cmd:"" help:"Stop the service until it is started, or the computer starts anew."`
	Status  serviceStatusCmd  `cmd:"" help:"Say how the service stands, where its page and its log are."`
	Unit    serviceUnitCmd    `cmd:"" help:"Print the systemd unit that install would write."`
}

// serviceFlags name a service. --site is taken everywhere, and needed to install alone:
// the service knows its site.
type serviceFlags struct {
	Site string `help:"The site file; an installed service knows its own." placeholder:"FILE"`
	Name string `default:"loadscribe" help:"The service's name, where this computer has several; default loadscribe." placeholder:"NAME"`
}

type serviceInstallCmd struct {
	Site   string `required:"" help:"The site file." placeholder:"FILE"`
	Name   string `default:"loadscribe" help:"The service's name, where this computer has several; default loadscribe." placeholder:"NAME"`
	DryRun bool   `help:"Check everything and say so; change nothing."`
}

type (
	serviceRemoveCmd struct{ serviceFlags }
	serviceStartCmd  struct{ serviceFlags }
	serviceStopCmd   struct{ serviceFlags }
	serviceStatusCmd struct {
		serviceFlags
		JSON bool `help:"Print JSON."`
	}
)

type serviceUnitCmd struct {
	Site string `required:"" help:"The site file." placeholder:"FILE"`
	Name string `default:"loadscribe" help:"The service's name; default loadscribe." placeholder:"NAME"`
}

// plan reads a site file as the service to be.
func plan(file, name string) (*service.Plan, *sitefile.Site, error) {
	site, err := loadSite(file, sitefile.Options{})
	if err != nil {
		return nil, nil, err
	}
	p, err := service.NewPlan(site, name, service.ProgramPlace())
	return p, site, err
}

func (c *serviceInstallCmd) Run(s *surroundings) error {
	p, site, err := plan(c.Site, c.Name)
	if err != nil {
		return err
	}
	system, err := service.ThisSystem(s.stdout)
	if err != nil {
		return err
	}
	if c.DryRun {
		if err := system.Check(s.ctx, p); err != nil {
			return fmt.Errorf("install: %w", err)
		}
		fmt.Fprintln(s.stdout, "Nothing stands against it; without --dry-run it is installed.")
		return nil
	}
	if err := system.Install(s.ctx, p); err != nil {
		return fmt.Errorf("install: %w", err)
	}
	if err := printState(s, system, c.Name, false); err != nil {
		return err
	}
	if site.Agent.SignInAlways || reachable(site.Agent.Listen) {
		fmt.Fprintf(s.stdout, "The pages ask for sign-in. If nobody can sign in yet: loadscribe people code --site %s, with the same rights as this command,\n"+
			"prints the code for the first one and the fingerprint of the certificate that browsers warn of.\n", p.Site)
	}
	return nil
}

// reachable reports whether others than this computer reach an address.
func reachable(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	ip := net.ParseIP(host)
	return err == nil && host != "localhost" && (ip == nil || !ip.IsLoopback())
}

func (c *serviceRemoveCmd) Run(s *surroundings) error {
	system, err := service.ThisSystem(s.stdout)
	if err == nil {
		err = system.Remove(s.ctx, c.Name)
	}
	return err
}

func (c *serviceStartCmd) Run(s *surroundings) error {
	system, err := service.ThisSystem(s.stdout)
	if err == nil {
		err = system.Start(s.ctx, c.Name)
	}
	if err != nil {
		return err
	}
	return printState(s, system, c.Name, false)
}

func (c *serviceStopCmd) Run(s *surroundings) error {
	system, err := service.ThisSystem(s.stdout)
	if err == nil {
		err = system.Stop(s.ctx, c.Name)
	}
	if err != nil {
		return err
	}
	return printState(s, system, c.Name, false)
}

func (c *serviceStatusCmd) Run(s *surroundings) error {
	system, err := service.ThisSystem(s.stdout)
	if err != nil {
		return err
	}
	return printState(s, system, c.Name, c.JSON)
}

func (c *serviceUnitCmd) Run(s *surroundings) error {
	p, _, err := plan(c.Site, c.Name)
	if err != nil {
		return err
	}
	if err := p.CheckPlaces(); err != nil { // it may be printed to be read, and is no unit to run
		fmt.Fprintf(s.stderr, "warning: this unit would not work, and install refuses it: %v\n", err)
	}
	if len(p.Groups) == 0 && p.Serial { // the port may not be plugged in here
		p.Groups = []string{"dialout"}
	}
	_, err = io.WriteString(s.stdout, p.Unit())
	return err
}

// serviceState is what status prints as JSON.
type serviceState struct {
	service.State
	Page string `json:"page"` // address of the pages; empty: not known, or it does not run
}

func printState(s *surroundings, system service.System, name string, asJSON bool) error {
	is, err := system.Status(s.ctx, name)
	if err != nil {
		return err
	}
	all := serviceState{State: is, Page: pageOf(is)}
	if asJSON {
		return json.NewEncoder(s.stdout).Encode(all)
	}
	all.print(s.stdout)
	return nil
}

// pageOf is the address that a running service left, or, where this user may not read
// that, the one of its site file.
func pageOf(is service.State) string {
	if !is.Running {
		return ""
	}
	if in, ok, err := agent.ReadInstance(is.Data); err == nil && ok {
		return in.Scheme + "://" + in.Address
	} else if !errors.Is(err, os.ErrPermission) {
		return ""
	}
	site, err := sitefile.Load(is.Site, sitefile.Options{})
	if err != nil {
		return ""
	}
	if reachable(site.Agent.Listen) { // such pages are always under TLS
		return "https://" + site.Agent.Listen
	}
	return "http://" + site.Agent.Listen
}

func (is *serviceState) print(w io.Writer) {
	since := ""
	if is.Since != nil && is.State.State != service.NotInstalled {
		since = " since " + is.Since.Local().Format(time.RFC3339)
	}
	fmt.Fprintf(w, "The service %s is %s%s.\n", is.Name, is.State.State, since)
	if !is.Installed {
		fmt.Fprintln(w, "loadscribe service install --site FILE installs it.")
		return
	}
	line := func(what, text string) {
		if text != "" {
			fmt.Fprintf(w, "%-18s %s\n", what, text)
		}
	}
	enabled := "yes"
	if !is.Enabled {
		enabled = "no: loadscribe service install mends that"
		if is.Packaged {
			enabled = "no: sudo systemctl enable " + is.Name + " mends that"
		}
	}
	site := is.Site
	if _, err := os.Stat(site); is.Packaged && errors.Is(err, os.ErrNotExist) {
		site += " (not there yet: sudo loadscribe new --site " + site + " makes it with the help of a page)"
	}
	line("page", is.Page)
	line("it says", is.Says)
	line("with the computer", enabled)
	if is.Restarts > 0 {
		line("started anew", fmt.Sprintf("%d times by itself", is.Restarts))
	}
	line("last end", is.LastExit)
	line("site file", site)
	line("data", is.Data)
	line("log", is.Log)
	line("defined in", is.Definition)
}
