package dashboard

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"loadscribe/agent"
	"loadscribe/agent/publish"
	"loadscribe/dashboard/door"
	"loadscribe/dashboard/web"
)

// ShutdownBudget is how long Run takes at most, from the end of its context, to
// let requests finish and to say goodbye to the live sockets.
const ShutdownBudget = agent.ServeShare

// Options are what a Server needs besides its Backend. The zero value serves
// the built-in pages under loopback names and logs nothing.
type Options struct {
	// Pages is the folder with index.html; nil means the built-in pages.
	Pages fs.FS
	// Metrics is read at each scrape of /metrics; nil: there is none.
	Metrics publish.Source
	// Log takes what an operator should see; nil: nothing.
	Log *slog.Logger
	// Listen is the address the server was told to listen on; its host is
	// accepted as a name of ours.
	Listen string
	// Hosts are further names of ours, such as the machine's own.
	Hosts []string
	// Origins are pages elsewhere that may open the live socket, for a proxy
	// that changes the Host header: "https://air.example".
	Origins []string
	// Secret lets local commands in as a bearer token; empty: none does.
	Secret string
	// Door knows who may sign in; nil: there are no people.
	Door *door.Door
	// SignIn asks for it; it needs a Door. Else everybody who gets in may operate.
	SignIn bool
	// Certificate is what TLS is spoken with; nil: plain HTTP.
	Certificate *door.Certificate
	// CookiePort tells the cookies of two agents on a host apart; empty: there is
	// one.
	CookiePort string
}

// Server serves the pages, the API and the live socket. Its methods may be
// called from several goroutines.
type Server struct {
	backend Backend
	log     *slog.Logger
	hub     *hub
	guard   *guard
	pages   *assets
	handler http.Handler
	heavy   *gate // series, figures, intervals
	alike   shared
	exports *turns
	copies  *handover
	routes  []string
	posts   []string // routes that take POST
	secret  string
	setup   *Setup // nil: there is a site

	door        *door.Door // nil: there are no people
	signIn      bool
	certificate *door.Certificate // nil: plain HTTP
	cookiePort  string

	live     context.Context // ends when live sockets are cut
	liveCut  context.CancelFunc
	liveEnd  chan struct{} // closed when live sockets are to say goodbye
	endOnce  sync.Once
	requests sync.WaitGroup
}

// New makes a Server. It listens to nothing yet.
func New(b Backend, o Options) (*Server, error) {
	s, err := bare(o)
	if err != nil {
		return nil, err
	}
	s.backend = b
	s.handler = s.guard.wrap(s.tracked(s.admit(s.newMux(o.Metrics))))
	return s, nil
}

// fingerprint is that of the certificate; empty: there is none.
func (s *Server) fingerprint() string {
	if s.certificate == nil {
		return ""
	}
	return s.certificate.Fingerprint()
}

// bare is a Server without a handler.
func bare(o Options) (*Server, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Pages == nil {
		built, err := fs.Sub(web.Dist, "dist")
		if err != nil {
			return nil, fmt.Errorf("built-in pages: %w", err)
		}
		o.Pages = built
	}
	pages, err := readAssets(o.Pages)
	if err != nil {
		return nil, err
	}
	s := &Server{
		log: o.Log, hub: newHub(), guard: newGuard(o), pages: pages,
		heavy: newGate(4), exports: newTurns(), copies: &handover{log: o.Log}, liveEnd: make(chan struct{}), secret: o.Secret,
		door: o.Door, signIn: o.SignIn, certificate: o.Certificate, cookiePort: o.CookiePort,
	}
	if s.signIn && s.door == nil {
		return nil, errors.New("sign-in is asked for, and there is nobody who could")
	}
	s.live, s.liveCut = context.WithCancel(context.Background())
	return s, nil
}

// Handler returns what Run serves.
func (s *Server) Handler() http.Handler { return s.handler }

// Publish sends a message to all live sockets: "scan" with an agent.ScanUpdate,
// "state" with an agent.MachineState, "device" with an agent.DeviceState,
// "line" with an agent.LineState, "event" with a store.Event or agent.Event,
// "alarm" with nil, "figures_changed" with nil (sent at most every ten seconds). It encodes once,
// never waits for a client, and keeps nothing of data. The state that Backend
// returns must already include what is published.
func (s *Server) Publish(kind string, data any) {
	if kind != "scan" && kind != "figures_changed" { // they come with each reading, which changes a figure by little
		s.alike.forget()
	}
	if err := s.hub.publish(kind, data, time.Now()); err != nil {
		s.log.Error("live message dropped", "err", err)
	}
}

// Live returns the live sockets' counters.
func (s *Server) Live() publish.Live {
	return publish.Live{
		Clients: s.hub.count(), Coalesced: s.hub.coalesced.Load(),
		Kicked: s.hub.kicked.Load(), Refused: s.hub.refused.Load(),
	}
}

// Run serves ln, over TLS where there is a certificate, until ctx ends, then lets
// requests finish, sends "going away" to the live sockets and returns within
// ShutdownBudget. It bounds how many connections there are at once. It closes ln.
// A Server runs once.
func (s *Server) Run(ctx context.Context, ln net.Listener) error {
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		// OPTIONS * is answered by our handler too, which checks and sets headers.
		DisableGeneralOptionsHandler: true,
		ErrorLog:                     log.New(&complaints{log: s.log}, "", 0),
	}
	var config *tls.Config
	if s.certificate != nil {
		config = s.certificate.TLS()
	}
	bounded := door.Listen(ln, door.OwnBounds(), config)
	bounded.OnRefused(func() { s.guard.refused.note("more connections than there may be at once") })
	served := make(chan error, 1)
	go func() { served <- srv.Serve(bounded) }()
	var failed error
	select {
	case <-ctx.Done():
	case failed = <-served:
		served <- failed
	}
	err := s.stop(srv)
	<-served
	s.copies.close()
	if failed != nil && !errors.Is(failed, http.ErrServerClosed) {
		return fmt.Errorf("serve %s: %w", ln.Addr(), failed)
	}
	return err
}

// stop ends the live sockets and the requests: in order for four fifths of the
// budget, by force for the rest.
func (s *Server) stop(srv *http.Server) error {
	s.hub.close()
	s.endOnce.Do(func() { close(s.liveEnd) })
	soft, cancel := context.WithTimeout(context.Background(), ShutdownBudget*4/5)
	// Shutdown stops the listener at once, then waits for connections, also for
	// those that have asked nothing yet, such as a browser's preconnect. What
	// must end in order is the requests; Close cuts the rest and frees it. Its
	// error says only that it was cut.
	var shutdown sync.WaitGroup
	shutdown.Go(func() { _ = srv.Shutdown(soft) })
	defer shutdown.Wait()
	defer cancel()
	ended := make(chan struct{})
	go func() {
		s.hub.conns.Wait()
		s.requests.Wait()
		close(ended)
	}()
	select {
	case <-ended:
		s.liveCut()
		return srv.Close()
	case <-soft.Done():
	}
	s.liveCut()
	closed := srv.Close()
	hard := time.NewTimer(ShutdownBudget / 5)
	defer hard.Stop()
	select {
	case <-ended:
		return closed
	case <-hard.C:
		return fmt.Errorf("stop the dashboard: a request did not end within %v", ShutdownBudget)
	}
}

// tracked lets stop wait for what is being answered.
func (s *Server) tracked(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.requests.Add(1)
		defer s.requests.Done()
		next.ServeHTTP(w, r)
	})
}
