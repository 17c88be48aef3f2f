package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"loadscribe/agent"
	"loadscribe/agent/analysis"
	"loadscribe/agent/store"
)

func (a *stopped) Events(_ context.Context, w window, f eventFilter) (agent.EventPage, error) {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return agent.EventPage{}, err
	}
	if w.to == "now" { // what a person wrote since the last reading is there too
		end, err := a.history.EventsEnd()
		if err != nil {
			return agent.EventPage{}, err
		}
		toMS = end.UnixMilli()
	}
	page, err := a.history.Events(agent.EventQuery{FromMS: fromMS, ToMS: toMS, Kinds: f.kinds, Subjects: f.subjects, Limit: f.limit})
	if field := (*agent.FieldError)(nil); errors.As(err, &field) {
		err = misuse{fmt.Errorf("--%s: %s", field.Field, field.Message)}
	}
	return page, err
}

func (r *running) Events(ctx context.Context, w window, f eventFilter) (page agent.EventPage, err error) {
	query := w.query()
	query["kind"], query["subject"] = f.kinds, f.subjects
	query.Set("limit", strconv.Itoa(f.limit))
	err = r.read(ctx, "/api/v1/events", query, &page)
	return page, err
}

func (a *stopped) Faults(_ context.Context, w window) ([]agent.Fault, error) {
	fromMS, toMS, err := w.resolve(a.history.Now(), a.history.Site())
	if err != nil {
		return nil, err
	}
	return a.history.Faults(fromMS, toMS)
}

func (r *running) Faults(ctx context.Context, w window) ([]agent.Fault, error) {
	var answer struct {
		Faults []agent.Fault `json:"faults"`
	}
	err := r.read(ctx, "/api/v1/faults", w.query(), &answer)
	return answer.Faults, err
}

func (a *stopped) Service(context.Context) ([]analysis.MachineService, error) {
	return a.history.Service()
}

func (r *running) Service(ctx context.Context) ([]analysis.MachineService, error) {
	var answer serviceDue
	err := r.read(ctx, "/api/v1/service", nil, &answer)
	return answer.Machines, err
}

func (a *stopped) ServiceEffect(_ context.Context, r agent.ServiceEffectRequest) (analysis.ServiceEffect, error) {
	return a.history.ServiceEffect(r)
}

func (r *running) ServiceEffect(ctx context.Context, q agent.ServiceEffectRequest) (e analysis.ServiceEffect, err error) {
	err = r.read(ctx, "/api/v1/service/effect", url.Values{"note": {strconv.FormatUint(q.Note, 10)}, "days": {strconv.Itoa(q.Days)}}, &e)
	return e, err
}

func (a *stopped) Text(_ context.Context, hash string) ([]byte, error) {
	text, err := a.history.Text(hash)
	if errors.Is(err, store.ErrNoText) {
		return nil, misuse{fmt.Errorf("--text: %w; loadscribe events --kind config_changed --json lists the hashes", err)}
	}
	return text, err
}

func (r *running) Text(ctx context.Context, hash string) ([]byte, error) {
	var answer struct {
		Text string `json:"text"`
	}
	err := r.read(ctx, "/api/v1/text", url.Values{"hash": {hash}}, &answer)
	return []byte(answer.Text), err
}

// Note keeps a note through the running agent.
func (r *running) Note(ctx context.Context, n agent.Note) (e agent.Event, err error) {
	content, err := json.Marshal(n)
	if err != nil {
		return e, err
	}
	body, err := r.send(ctx, http.MethodPost, "/api/v1/notes", content)
	if err != nil {
		return e, err
	}
	err = decodeAnswer(body, &e)
	return e, err
}
