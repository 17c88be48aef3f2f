package agent

import (
	"errors"
	"time"

	"loadscribe/agent/analysis"
)

// Money tells where the electricity of a window went and what it cost; q.NowMS is
// set here. An error of type *FieldError says what is wrong with the request.
func (h *History) Money(q analysis.MoneyQuery) (analysis.Money, error) { return h.money(q, h.Now()) }

// Money tells where the electricity of a window went and what it cost; q.NowMS is
// set here. An error of type *FieldError says what is wrong with the request.
func (a *Agent) Money(q analysis.MoneyQuery) (analysis.Money, error) { return a.money(q, a.end()) }

func (h *History) money(q analysis.MoneyQuery, now time.Time) (analysis.Money, error) {
	q.NowMS = now.UnixMilli()
	m, err := analysis.MoneyOf(h.source(), h.site, q)
	if wrong := (*analysis.CompareError)(nil); errors.As(err, &wrong) {
		return m, &FieldError{wrong.Field, wrong.Message}
	}
	return m, err
}
