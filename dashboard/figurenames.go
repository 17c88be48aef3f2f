package dashboard

import (
	"net/http"

	"loadscribe/agent/analysis"
)

// figureNamesAnswer is /api/v1/figure-names.
type figureNamesAnswer struct {
	Groups []analysis.FigureGroup `json:"groups"`
}

// serveFigureNames tells which figures there are, and what people call them.
func (s *Server) serveFigureNames(r *http.Request) (any, *apiError) {
	if q := parseQuery(r.URL.RawQuery, nil); q.err != nil {
		return nil, q.err
	}
	return figureNamesAnswer{analysis.FigureGroups()}, nil
}
