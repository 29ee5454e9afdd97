package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"trivet/process"
	"trivet/process/job"
	"trivet/station"
)

// jobKeeper writes into a job what became of a run for one of its steps. It looks on from outside the tick, like a person with a pen.
type jobKeeper struct {
	jobs   station.Jobs // nil where nobody keeps any
	latest func(*station.Snapshot)
	judged func() *process.Verdict
	log    *zap.Logger
}

const (
	jobLook  = 200 * time.Millisecond
	jobTries = 5 // at writing down, when somebody else writes at the same time
)

// run looks on until ctx ends.
func (k *jobKeeper) run(ctx context.Context) {
	if k.jobs == nil {
		return
	}
	t := time.NewTicker(jobLook)
	defer t.Stop()
	var s station.Snapshot
	var order *station.RunOrder
	var id int64
	var lived time.Duration // when it was last seen to go on
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		k.latest(&s)
		if s.State.Live() {
			order, id, lived = s.Run.Order, s.Run.ID, s.At
			continue
		}
		if order == nil || order.Job == "" {
			order = nil
			continue
		}
		// The verdict comes a moment behind the end; a run that was too short for one has none.
		if v := k.judged(); v != nil || s.At-lived > 10*time.Second {
			k.write(ctx, order, id, &s, v)
			order = nil
		}
	}
}

// write adds the event. A step came out right when its run was complete and inside every limit; solder counts as molten when the verdict
// saw it above the alloy's solidus, or, without one, when the run had gone into reflow.
func (k *jobKeeper) write(ctx context.Context, o *station.RunOrder, id int64, s *station.Snapshot, v *process.Verdict) {
	e := job.Event{Kind: job.Done, Step: job.Step(o.Step), By: o.By, Run: id, Text: fmt.Sprintf("Run %d ended as %s (%s).", id, s.State, s.Ended.Code)}
	if v != nil {
		e.OK = v.Pass && s.State == station.Complete
		e.Heated = v.Measures.Peak != nil && *v.Measures.Peak >= float64(o.Profile.Alloy.Solidus)
		e.Text += " Verdict: " + v.Word() + "."
	}
	if o.Step == string(job.Dress) { // a hold for dressing is judged by its ceilings alone and melts what is left on the site
		e.Heated = true
	}
	var err error
	for range jobTries {
		var j *job.Job
		if j, err = k.jobs.Job(ctx, o.Job); err != nil {
			break
		}
		e.At = time.Now().UTC()
		n := len(j.Events)
		if err = j.Add(e); err != nil {
			break
		}
		var moved station.ErrJobMoved
		if err = k.jobs.AppendJob(ctx, o.Job, n, e); !errors.As(err, &moved) {
			break
		}
	}
	if err != nil {
		k.log.Error("what became of a run could not be written into its job", zap.String("job", o.Job), zap.Int64("run", id), zap.Error(err))
	}
}
