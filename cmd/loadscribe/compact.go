package main

import (
	"errors"
	"fmt"

	"loadscribe/agent"
	"loadscribe/agent/store"
)

type compactCmd struct {
	siteFlags
}

func (c *compactCmd) Run(s *surroundings) error {
	site, err := c.load()
	if err != nil {
		return err
	}
	dir := site.Agent.DataDir
	before, after, err := store.Compact(dir, store.Options{Log: s.logger()})
	if errors.Is(err, store.ErrLocked) {
		who := "an agent"
		if in, ok, _ := agent.ReadInstance(dir); ok {
			who = fmt.Sprintf("process %d", in.PID)
		}
		return fmt.Errorf("%s: %w: %s records there; stop it first, compact, then start it again", dir, store.ErrLocked, who)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.stdout, "%s: store.db had %.1f MB and has %.1f MB; every value was compared before the new file took the old one's place.\n",
		dir, float64(before)/1e6, float64(after)/1e6)
	return nil
}
