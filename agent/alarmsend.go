package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"time"

	"loadscribe/agent/alarm"
	"loadscribe/agent/messenger"
	"loadscribe/agent/sitefile"
)

// messagesDir holds, in the data directory, what is not delivered yet.
const messagesDir = "messages"

// openMessages opens the ways that the site file has to tell of alarms; nil where it
// has none.
func openMessages(site *sitefile.Site, log *slog.Logger) (*messenger.Messenger, error) {
	var targets []messenger.Target
	if m := site.Mail; m != nil {
		mail, err := messenger.NewMail(messenger.MailConfig{Server: m.Server, Security: m.Security, User: m.User, PasswordFile: m.PasswordFile,
			From: m.From, To: m.To, Location: site.Location}, log)
		if err != nil {
			return nil, err
		}
		targets = append(targets, mail)
	}
	for _, w := range site.Webhooks {
		hook, err := messenger.NewWebhook(messenger.WebhookConfig{Name: w.Name, URL: w.URL, SecretFile: w.SecretFile}, log)
		if err != nil {
			return nil, err
		}
		targets = append(targets, hook)
	}
	if len(targets) == 0 {
		return nil, nil
	}
	return messenger.Open(filepath.Join(site.Agent.DataDir, messagesDir), targets, messenger.Options{Log: log, Site: site.Name})
}

// sendAlarms hands records to the messages. When ctx ends it still hands on what waits,
// for which it may have to wait for the disk.
func (a *Agent) sendAlarms(ctx context.Context) error {
	for {
		select {
		case r := <-a.alarms.out:
			a.sendAlarm(&r, a.messages.Post) // what waits for a disk that hangs would not be sent
		case <-ctx.Done():
			for len(a.alarms.out) > 0 {
				r := <-a.alarms.out
				a.sendAlarm(&r, a.messages.Send) // nobody brings it to the disk any more
			}
			return nil
		}
	}
}

func (a *Agent) sendAlarm(r *alarm.Record, send func([]string, messenger.Message) error) {
	to := a.alarms.engine.Targets(r.Rule)
	if len(to) == 0 {
		return
	}
	switch err := send(to, alarmMessage(a.site, r)); {
	case errors.Is(err, messenger.ErrNotSafe):
		a.log.Warn("a message of an alarm waits in memory: the disk does not take it", "rule", r.Rule, "subject", r.Subject, "err", err)
	case err != nil:
		a.log.Error("a message of an alarm is not kept", "rule", r.Rule, "subject", r.Subject, "err", err)
	}
}

// alarmMessage is a record as people and programs elsewhere get it.
func alarmMessage(site *sitefile.Site, r *alarm.Record) messenger.Message {
	m := messenger.Message{ID: r.ID + "-" + string(r.State), Kind: messenger.KindRaised, AtMS: r.AtMS, Site: site.Name,
		Subject: r.Rule + ": " + r.Subject, Data: r.Data()}
	if r.State == alarm.Returned {
		m.Kind, m.Subject = messenger.KindReturned, "over, "+m.Subject
	}
	at := func(ms int64) string {
		return time.UnixMilli(ms).In(site.Location).Format("Mon 2006-01-02 15:04:05 MST")
	}
	text := []string{r.Says + "."}
	if r.SinceMS != 0 {
		since := "Since " + at(r.SinceMS)
		if r.AtLeast {
			since += " at least: nothing was read before"
		}
		text = append(text, since+".")
	}
	if r.State == alarm.Raised {
		text = append(text, "Priority: "+r.Priority+".")
		if r.Times > 1 {
			text = append(text, fmt.Sprintf("Raised %d times within the hour.", r.Times))
		}
		if r.HeldBack > 0 {
			text = append(text, fmt.Sprintf("%d more were raised since the last message of it and not sent.", r.HeldBack))
		}
		text = append(text, "To say that you have taken note: the page Alarms, or loadscribe alarms acknowledge --site FILE --who NAME "+r.ID+".")
	}
	m.Text = strings.Join(text, "\n")
	return m
}

// alarmTargets is how the messages go.
func (a *Agent) alarmTargets() []AlarmTarget {
	all := []AlarmTarget{}
	if a.messages == nil {
		return all
	}
	for _, t := range a.messages.State() {
		all = append(all, AlarmTarget{Name: t.Name, Kind: t.Kind, To: t.To, Waiting: int64(t.Waiting), LastSent: Stamp(t.LastSentMS),
			FailingSince: Stamp(t.FailingSinceMS), Why: t.Why, GivenUp: int64(t.GivenUp)})
	}
	return all
}

// AlarmTest asks for a test message.
type AlarmTest struct {
	Target string `json:"target"` // "mail" or the name of a webhook
}

// AlarmTested is what came of it.
type AlarmTested struct {
	Target string `json:"target"`
	OK     bool   `json:"ok"`
	Answer string `json:"answer"` // what the other end said, or what is wrong
}

// TestAlarm sends a test message to a target and waits for the answer. An error of
// type *FieldError says that there is no such target.
func (a *Agent) TestAlarm(ctx context.Context, q AlarmTest) (AlarmTested, error) {
	if a.messages == nil {
		return AlarmTested{}, wrongField("target", "the site file has neither [mail] nor [[webhook]]: docs/alarm-messages.md shows how")
	}
	answer, err := a.messages.Test(ctx, q.Target)
	switch {
	case errors.Is(err, messenger.ErrNoTarget):
		return AlarmTested{}, wrongField("target", "%v", err)
	case errors.Is(err, messenger.ErrBusy):
		return AlarmTested{}, err
	case err != nil:
		return AlarmTested{Target: q.Target, Answer: errors.Unwrap(err).Error()}, nil // without "test message to …"
	}
	return AlarmTested{Target: q.Target, OK: true, Answer: answer}, nil
}
