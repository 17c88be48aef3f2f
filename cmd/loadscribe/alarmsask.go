package main

import (
	"context"
	"errors"
	"fmt"

	"loadscribe/agent"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/store"
)

func (a *stopped) Alarms(context.Context) (agent.Alarms, error) { return a.history.Alarms() }

func (r *running) Alarms(ctx context.Context) (all agent.Alarms, err error) {
	err = r.read(ctx, "/api/v1/alarms", nil, &all)
	return all, err
}

// TestAlarm asks for a test message.
func (r *running) TestAlarm(ctx context.Context, q agent.AlarmTest) (tested agent.AlarmTested, err error) {
	err = r.post(ctx, "/api/v1/alarms/test", q, &tested)
	return tested, err
}

// changeAlarms keeps what a person says of alarms: in the store of a stopped agent, or
// through the running one.
func (f *siteFlags) changeAlarms(s *surroundings, path string, say any, stopped func(*sitefile.Site, agent.Options) (agent.Event, error), done string) error {
	site, err := f.load()
	if err != nil {
		return err
	}
	_, err = stopped(site, agent.Options{Version: version, Log: s.logger()})
	if errors.Is(err, store.ErrLocked) {
		var r *running
		if r, err = reach(s, site); err != nil {
			return err
		}
		defer r.Close()
		var all agent.Alarms
		err = r.post(s.ctx, path, say, &all)
	}
	if errors.Is(err, agent.ErrNoAlarm) {
		return misuse{fmt.Errorf("%w: loadscribe alarms lists them", err)}
	}
	if err != nil {
		return alarmMisuse(err)
	}
	fmt.Fprintln(s.stdout, done)
	return nil
}
