// Package api is what programs ask for: JSON documents with their description, the
// figures for those who watch the program, and the probes.
package api

import (
	"context"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// Lists ranks a unit: Live at the current moment, List at any moment.
type Lists interface {
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
}

// Measured takes in what devices measured, each set once, and finds one that is sent again; see
// bedside.Keeper of internal/web.
type Measured interface {
	Measured(ctx context.Context, unit string, m bedside.Measured) (records.Taken, error)
	MeasuredBefore(ctx context.Context, m bedside.Measured) (records.Message, error)
}

// Deps is what these answers need besides the frame.
type Deps struct {
	Lists Lists
	Feeds parts.Feeds
	// Sets takes in what devices measured. Nil: nothing can be handed in.
	Sets  Measured
	Ready func(context.Context) error // nil error: ready to serve
	Lease func() *records.Lease       // who reads the feeds; nil: there is one instance alone
}

type service struct {
	*frame.Frame
	Deps
}

// Routes are the ways to these answers.
func Routes(f *frame.Frame, d Deps) []frame.Route {
	s := &service{f, d}
	f.Metrics.Registry.MustRegister(&feedMetrics{s})
	list := frame.OnUnit(records.ViewList, records.ViewNames).Or(records.ReadList)
	return []frame.Route{
		frame.GetOther("/api/v1/units/:unit/list", list, s.apiList),
		frame.GetOther("/api/v1/stays/:stay/sets", frame.OnStay(records.ViewStay).Or(records.ReadSets), s.apiSets),
		frame.Post("/api/v1/stays/:stay/sets", frame.MachineOnStay(records.WriteSets), s.takeSet),
		frame.GetOther("/api/v1/openapi.yaml", frame.SignedIn.Or(frame.AnyToken), s.openAPI),

		frame.GetOther("/healthz", frame.Public, s.healthz),
		frame.GetOther("/readyz", frame.Public, s.readyz),
		frame.GetOther("/metrics", frame.ThisMachine.Or(records.ReadMetrics), frame.Serve(f.Metrics.Handler())),
	}
}
