package agent

import (
	"context"
	"fmt"
	"time"
)

// reportKind bounds the reports of a running agent: one takes some 0.1 GB while it is
// made, and its files a few MB until they are fetched.
func reportKind() jobKind { return jobKind{name: "report", many: "reports", atOnce: 1, kept: 3} }

// reportFilesMost is how large the files of one report may be together: a bound of
// memory, far above that of a report of a year.
const reportFilesMost = 64 << 20

// reportSettle is how long before the present a running agent's report is made at: a
// reading that a slow line still asked for by then has been stored since, so that the
// report can be made again.
const reportSettle = 5 * time.Second

// StartReport begins a report beside the recording. An error of type *FieldError says
// what is wrong with the request; one that wraps ErrJobsBusy, that one is at work.
func (a *Agent) StartReport(r ReportRequest) (ReportJob, error) {
	now := a.clockNow()
	at, err := a.reportTime(&r, now)
	if err != nil {
		return ReportJob{}, err
	}
	if r.MadeAt == "" {
		at = at.Add(-reportSettle)
		// A checkpoint that has just been made is to be in it.
		if head, err := a.Evidence(); err == nil && int64(head.Made) > at.UnixMilli() && int64(head.Made) <= now.UnixMilli() {
			at = time.UnixMilli(int64(head.Made))
		}
	}
	return a.reports.start(audited(func(ctx context.Context, progress func(done, total int)) (*ReportMade, error) {
		if err := waitUntil(ctx, at.Add(reportSettle), a.clockNow); err != nil {
			return nil, err
		}
		m, err := a.reportFiles(ctx, &r, at, progress)
		if err != nil {
			return nil, err
		}
		all := 0
		for i := range m.Files {
			all += m.Files[i].Bytes
		}
		if all > reportFilesMost {
			return nil, fmt.Errorf("the report's files take %d MB, at most %d are kept: ask for a shorter window", all>>20, reportFilesMost>>20)
		}
		return m, nil
	}, a.auditReport))
}

// waitUntil waits until a clock shows a time that is a few seconds off at most.
func waitUntil(ctx context.Context, at time.Time, now func() time.Time) error {
	wait := min(at.Sub(now()), reportSettle)
	if wait <= 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ReportJob tells how a report stands. The error wraps ErrNoJob where there is none of
// that id. What the answer holds is not to be changed.
func (a *Agent) ReportJob(id string) (ReportJob, error) { return a.reports.show(id) }

// CancelReport breaks a report off; one that has ended stays as it is. The error wraps
// ErrNoJob where there is none of that id.
func (a *Agent) CancelReport(id string) (ReportJob, error) { return a.reports.stop(id) }
