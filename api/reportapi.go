package api

import (
	"context"
	"fmt"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/zap"
)

// registerReport gives out the report of a run as one file. What is in it is made by whoever assembled the program; here it is only sent.
func (s *Server) registerReport(a huma.API) {
	operation(s, a, "GET", "/api/v1/runs/{id}/report", "report", "What is kept of a run as one page to be read, printed and filed", AccessLook, s.report, func(op *huma.Operation) {
		op.Description = "HTML without script, on two sheets of A4 or Letter. The file holds the whole record with its chain: trivet verify names what was changed in it."
		op.Responses["200"] = &huma.Response{Description: "The report", Content: map[string]*huma.MediaType{"text/html": {Schema: &huma.Schema{Type: huma.TypeString}}}}
	})
}

func (s *Server) report(ctx context.Context, in *runID) (*huma.StreamResponse, error) {
	if s.o.Report == nil {
		return nil, problem("archive_failed", "This station writes no reports.")
	}
	done, err := s.takePlace(ctx) // it reads the whole record
	if err != nil {
		return nil, err
	}
	data, err := s.o.Report(ctx, in.ID)
	if err != nil {
		done()
		return nil, s.archiveProblem(err)
	}
	return &huma.StreamResponse{Body: func(c huma.Context) {
		defer done()
		c.SetHeader("Content-Type", "text/html; charset=utf-8")
		c.SetHeader("Content-Disposition", fmt.Sprintf(`inline; filename="run-%d.html"`, in.ID))
		// The page's own rules forbid the style that a single file must carry; these forbid everything else.
		c.SetHeader("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'")
		if _, err := c.BodyWriter().Write(data); err != nil {
			s.log.Info("a download was broken off", zap.Int64("run", in.ID), zap.Error(err))
		}
	}}, nil
}
