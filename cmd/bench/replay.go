package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"loadscribe/agent/replay/engine"
	"loadscribe/agent/replay/plainloop"
)

// replayFigures are the rows of the section.
var replayFigures = []string{"replay_machine_week", "search_10000", "search_memory"}

const (
	replayMinutes   = 7 * 24 * 60
	replayReps      = 21
	plainReps       = 3
	plainStepS      = 1.0
	replayAgreement = 0.002 // how far the energies of the engine and the plain loop may differ
)

// replayRows measures the engine, and a search that plays with it.
func replayRows(ctx context.Context, b *bench) ([]row, error) {
	machine, err := machineWeekRow(ctx)
	if err != nil {
		return nil, err
	}
	search, err := searchRows(ctx, b)
	return append([]row{machine}, search...), err
}

// machineWeekRow plays a week of minutes, event by event and in steps of 1 s.
func machineWeekRow(ctx context.Context) (row, error) {
	plant, demand := replayPlant(), replayDemand()
	var event, plain *engine.Result
	took, err := timed(replayReps, func() (err error) {
		event, err = engine.Play(plant, demand, engine.Options{})
		return errors.Join(err, ctx.Err())
	})
	if err != nil {
		return row{}, err
	}
	stepped, err := timed(plainReps, func() (err error) {
		plain, err = plainloop.Play(plant, demand, plainStepS)
		return errors.Join(err, ctx.Err())
	})
	if err != nil {
		return row{}, err
	}
	off := event.EnergyJ/plain.EnergyJ - 1
	if !(math.Abs(off) <= replayAgreement) {
		return row{}, fmt.Errorf("the engine's energy differs by %.2f %% from the plain loop's", 100*off)
	}
	m := &event.Machines[0]
	return row{figure: "replay_machine_week", value: took, unit: "ms", goal: 20,
		reference: "the same in steps of 1 s", referenceValue: stepped,
		note: fmt.Sprintf("a load/unload machine of 37 kW with blow-down, drop, delay and timer against a demand that changes each of %d minutes: %d loads, %d starts; %s times as fast as steps of 1 s, whose energy differs by %.3f %%",
			replayMinutes, m.Loads, m.Starts, number(stepped/took), 100*off)}, nil
}

// replayPlant is one machine with all that a load/unload machine can have.
func replayPlant() *engine.Plant {
	return &engine.Plant{VolumeM3: 4, InletPa: 99e3, OutsidePa: 100e3, MinimumPa: 580e3, SlotS: 900,
		Machines: []engine.Machine{{Name: "comp1", FullFlowM3S: 0.0873, RatedPa: 860e3, FlowPerPa: 5e-9, FullPowerW: 37e3, PowerPerPa: 7e-7,
			UnloadedW: 11e3, UnloadStartW: 24e3, BlowDownS: 25, StoppedW: 60, StartS: 6, StartW: 15e3, DelayS: 2, DelayW: 15e3, DropPa: 12e3,
			CutInPa: 690e3, CutOutPa: 790e3, NoLoadStopS: 240, LeastBetweenStarts: 120}}}
}

// replayDemand is a week of minutes that all differ: two shifts on five days, leaks
// always.
func replayDemand() []engine.Stretch {
	r := rand.New(rand.NewPCG(weekSeed, 8))
	s := engine.Stretch{StartPa: 740e3}
	for minute := range replayMinutes {
		flow, day, hour := 0.009+0.001*r.Float64(), minute/1440, minute/60%24
		if day < 5 && hour >= 6 && hour < 22 {
			flow += 0.02 + 0.05*r.Float64()
		}
		s.Segments = append(s.Segments, engine.Segment{Seconds: 60, DemandM3S: flow, AtPa: 740e3, FollowM3SPerPa: flow * 6e-7})
	}
	return []engine.Stretch{s}
}
