// Package messenger carries alarms out of the building: a durable queue for each
// target, and the two ways to send, mail (SMTP) and webhooks (JSON by HTTP).
//
// A Message that Send has taken lies on the disk, one file for each target,
// synced before Send returns. It leaves the queue when its target has taken it,
// when the target refuses it for good, or when it is given up: after MostAge, or
// as the oldest of more than MostWaiting. Everything given up is counted and
// logged. Each target has its own queue and its own goroutine: one that is away
// holds up no other, and its messages go out in their order.
//
// Delivery is at least once. A message whose answer was lost, or that was sent
// just before a power cut, is sent again under the same identity (the mail's
// Message-ID, the webhook's webhook-id), by which a receiver sees the two as one.
//
// Times: Message.AtMS is when it happened, by the wall clock, and is never
// changed. How late a message is, and how long it is tried, is measured from when
// it was queued by a clock that no step of the wall clock moves; what a stopped
// program missed is taken from the wall clock, as far as that can be believed.
//
// Secrets are read from their files at each use, so that a new one holds at once.
// They are in no error, log or state, and neither is a webhook's path or query.
//
// Caveats: the order is that of each target, not among targets, and a message that
// its target chokes on, or has not yet given to all of its people, lets others pass.
// A mail that some of several addresses took is tried again for those that refused it
// for now alone; who refused it for good is told.
// Not a safety device: a message may come late or never. Non-goals: receiving,
// other ways of sending, and what an alarm is (package alarm).
package messenger
