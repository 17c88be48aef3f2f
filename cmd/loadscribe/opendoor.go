package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"strconv"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/dashboard"
	"loadscribe/dashboard/door"
)

// doorFolder is where in a data directory it is kept who may sign in.
const doorFolder = "door"

// outside is how the pages are served: who may come in, and over what.
type outside struct {
	agent   *agent.Agent
	site    *sitefile.Site
	options dashboard.Options
	reach   string // host and port for other computers; empty: none
}

// openDoor decides how pages are served that are listened for at an address.
// Where only this computer can reach it there is neither sign-in nor TLS unless
// the site file asks for them; else both.
func openDoor(a *agent.Agent, site *sitefile.Site, log *slog.Logger, listening net.Addr) (*outside, error) {
	names := ownNames(listening)
	network := !onlyHere(listening)
	out := &outside{agent: a, site: site, options: dashboard.Options{
		Log: log, Metrics: a, Listen: site.Agent.Listen, Hosts: append(names, site.Agent.Hosts...), Origins: site.Agent.Origins,
		Secret: a.Secret(), SignIn: network || site.Agent.SignInAlways, CookiePort: portOf(listening),
	}}
	dir := filepath.Join(site.Agent.DataDir, doorFolder)
	out.options.Door = door.Open(door.Options{Dir: dir, Tell: a.NoteSignIn, Log: log})
	if out.options.SignIn {
		if _, err := out.options.Door.ScrapeToken(false); err != nil {
			log.Warn("metrics cannot be scraped by a token", "err", err)
		}
	}
	if network && len(names) > 0 {
		out.reach = net.JoinHostPort(names[0], portOf(listening))
	}
	if !network && loopbackScheme(site) == "http" {
		return out, a.ServeAs("http", "")
	}
	certificate, err := door.OpenCertificate(door.CertificateOptions{
		Dir: dir, Names: certificateNames(site, names), Addresses: append(ownAddresses(), givenAddresses(site)...),
		File: site.Agent.TLS.Certificate, Key: site.Agent.TLS.Key, Log: log,
	})
	if err != nil {
		return nil, err
	}
	out.options.Certificate = certificate
	return out, a.ServeAs("https", certificate.Fingerprint())
}

// loopbackScheme is how the pages are served where only this computer reaches them.
func loopbackScheme(site *sitefile.Site) string {
	if site.Agent.TLS.Certificate == "" {
		return "http"
	}
	return "https"
}

func onlyHere(listening net.Addr) bool {
	a, ok := listening.(*net.TCPAddr)
	return ok && a.IP.IsLoopback()
}

func portOf(listening net.Addr) string {
	if a, ok := listening.(*net.TCPAddr); ok {
		return strconv.Itoa(a.Port)
	}
	return ""
}

// certificateNames are the host names under which the pages are opened.
func certificateNames(site *sitefile.Site, own []string) (names []string) {
	host, _, _ := net.SplitHostPort(site.Agent.Listen) // was checked
	for _, name := range append(append(own, host), site.Agent.Hosts...) {
		if name != "" && net.ParseIP(name) == nil {
			names = append(names, name)
		}
	}
	return names
}

// givenAddresses are the addresses among the site file's hosts.
func givenAddresses(site *sitefile.Site) (all []net.IP) {
	for _, host := range site.Agent.Hosts {
		if ip := net.ParseIP(host); ip != nil {
			all = append(all, ip)
		}
	}
	return all
}

// ownAddresses are those of this computer on its networks.
func ownAddresses() (all []net.IP) {
	found, err := net.InterfaceAddrs()
	if err != nil {
		return nil // then the host name must do
	}
	for _, a := range found {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() {
			all = append(all, n.IP)
		}
	}
	return all
}

func (o *outside) scheme() string {
	if o.options.Certificate != nil {
		return "https"
	}
	return "http"
}

// say prints what a person needs who opens the pages for the first time.
func (o *outside) say(to io.Writer) {
	if o.reach != "" {
		fmt.Fprintf(to, "from other computers: %s://%s\n", o.scheme(), o.reach)
	}
	if o.options.Certificate != nil {
		fmt.Fprintf(to, "certificate fingerprint (SHA-256): %s\n", o.options.Certificate.Fingerprint())
	}
	if !o.options.SignIn || !o.options.Door.NeedsSetUp() {
		return
	}
	code, err := o.options.Door.NewCode()
	if err != nil {
		return // somebody has been set up meanwhile
	}
	fmt.Fprintf(to, "Nobody can sign in yet: open the page within an hour and enter the set-up code %s\n"+
		"(a new one: loadscribe people code --site %s)\n", code, o.site.Path)
}

// keep looks after the certificate until ctx ends.
func (o *outside) keep(ctx context.Context) {
	if o.options.Certificate == nil {
		return
	}
	o.options.Certificate.Keep(ctx, func(fingerprint string) {
		if err := o.agent.ServeAs("https", fingerprint); err != nil {
			o.options.Log.Warn("commands do not know the new certificate until the agent is started again", "err", err)
		}
	})
}
