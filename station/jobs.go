package station

import (
	"context"
	"fmt"

	"trivet/process/job"
)

// Jobs keeps the jobs of a shop. Every call may wait for a disk; none belongs to the tick.
type Jobs interface {
	Jobs(ctx context.Context, limit int) ([]*job.Job, error) // newest first
	Job(ctx context.Context, id string) (*job.Job, error)
	OpenJob(ctx context.Context, j *job.Job) error
	AppendJob(ctx context.Context, id string, seq int, e job.Event) error // behind seq events
}

// ErrNoJob says that there is no such job.
type ErrNoJob struct{ ID string }

func (e ErrNoJob) Error() string { return fmt.Sprintf("there is no job %q", e.ID) }

// ErrJobExists says that the number is taken.
type ErrJobExists struct{ ID string }

func (e ErrJobExists) Error() string { return fmt.Sprintf("there is a job %q already", e.ID) }

// ErrJobMoved says that events have come in since the job was read.
type ErrJobMoved struct {
	ID  string
	Has int
}

func (e ErrJobMoved) Error() string {
	return fmt.Sprintf("job %q has %d events by now; look at it again", e.ID, e.Has)
}

// ErrJobDamaged says what of a job's record is not as it was written. Nothing is added to it any more.
type ErrJobDamaged struct{ ID, What string }

func (e ErrJobDamaged) Error() string {
	return fmt.Sprintf("the record of job %q is damaged: %s", e.ID, e.What)
}
