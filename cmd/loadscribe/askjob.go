package main

import (
	"context"
	"fmt"
	"net/url"
	"time"

	"loadscribe/agent"
)

// jobLook is how often a job in a running agent is looked at.
const jobLook = 200 * time.Millisecond

// followJob has the running agent begin a job, replay or report, follows it to its end
// and breaks it off when ctx ends. Without an error there is an answer.
func followJob[A any](ctx context.Context, r *running, kind string, asked any, progress func(done, total int)) (agent.Job[A], error) {
	var job agent.Job[A]
	path := "/api/v1/" + kind
	if err := r.post(ctx, path, asked, &job); err != nil {
		return job, err
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for !job.Over() {
		progress(job.Done, job.Total)
		timer.Reset(jobLook)
		select {
		case <-timer.C:
		case <-ctx.Done():
			return job, r.cancelJob(ctx, kind, job.ID)
		}
		if err := r.read(ctx, path, url.Values{"id": {job.ID}}, &job); err != nil {
			if ctx.Err() != nil {
				return job, r.cancelJob(ctx, kind, job.ID)
			}
			return job, fmt.Errorf("the running agent no longer answers; its %s ends with it: ask again: %w", kind, err)
		}
	}
	switch {
	case job.Answer != nil:
		return job, nil
	case job.Field != "":
		return job, &agent.FieldError{Field: job.Field, Message: job.Error}
	}
	return job, fmt.Errorf("%s: %s", kind, job.Error)
}

// cancelJob breaks off what a person no longer waits for.
func (r *running) cancelJob(ended context.Context, kind, id string) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ended), aliveWait)
	defer cancel()
	var job struct{}
	if err := r.post(ctx, "/api/v1/"+kind+"/cancel", map[string]string{"id": id}, &job); err != nil {
		return fmt.Errorf("the %s goes on in the agent: it could not be cancelled: %w", kind, err)
	}
	return fmt.Errorf("the %s was cancelled: %w", kind, ended.Err())
}
