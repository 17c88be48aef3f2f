package airtruth

import (
	"fmt"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/guided"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
	"loadscribe/simulator"
)

// guide leads through a pump-up test while the plant valve is shut, as the agent
// does: it sees each scan after the fold has.
type guide struct {
	folder  *analysis.Folder
	world   *simulator.World
	session *guided.Session
}

func newGuide(site *sitefile.Site, groups []*scan.Group, folder *analysis.Folder, world *simulator.World) (*guide, error) {
	plan, err := guided.NewPlan(site, groups, guided.Ask{Test: guided.PumpUp, Machine: site.Machines[0].Name, Who: "the owner", Confirmed: true})
	if err != nil {
		return nil, fmt.Errorf("plan the pump-up test: %w", err)
	}
	return &guide{folder: folder, world: world, session: guided.New(plan)}, nil
}

// see shows a scan to the test, from the scenario's first shut valve on.
func (g *guide) see(s *scan.Scan) {
	if g.session == nil || s.Group != g.session.Plan().Source.Group || g.session.Report().Phase.Over() {
		return
	}
	sc := g.world.Scenario()
	if len(sc.Valves) == 0 || !sc.Shut(&sc.Valves[0], s.WallMS) {
		return
	}
	g.session.Observe(agent.TestReading(g.session.Plan(), g.folder, s))
}

// event is the result as the agent files it.
func (g *guide) event() (store.Event, error) {
	report := g.session.Report()
	found, ok := g.session.Result()
	if !ok {
		return store.Event{}, fmt.Errorf("the pump-up test found nothing: %s: %s %s", report.Phase, report.Why, report.Detail)
	}
	p := g.session.Plan()
	r := analysis.TestResult{Test: p.Test, Who: p.Who, FromMS: report.StartedMS, ToMS: report.NowMS, System: p.System, Machine: found.Machine,
		FlowM3S: found.Flow, PressurePa: found.PressurePa, InletPa: p.InletPa.V, VolumeM3: p.VolumeM3.V, VolumeU: p.VolumeM3.U(),
		Cycles: found.Cycles, Method: found.Method}
	return store.Event{Seq: 1, WallMS: r.ToMS, Segment: 1, Kind: analysis.KindTest, Subject: r.Subject(), Data: r.Data(), Text: found.Text}, nil
}
