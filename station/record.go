package station

import (
	"context"
	"time"

	"trivet/process"
	"trivet/process/unit"
)

// Channel is one recorded column.
type Channel struct {
	Name string `json:"name"` // "joint-corner", "target", "duty:top", …
	Unit string `json:"unit"` // "°C", "1", "W"
	Kind string `json:"kind"` // "sensor", "target", "set", "duty", "fan", "power", "profile_time"
}

// MaxChannels is how many columns a record can have.
const MaxChannels = 48

// Sample is one recorded row. A column without a number has a quality other than Good and no value.
type Sample struct {
	Seq     uint64        // dense from 0 within a run
	At      time.Duration // since the run began
	Values  [MaxChannels]float32
	Quality [MaxChannels]unit.Quality
	N       int // columns in use
}

// RunHead is what is known of a run when it begins.
type RunHead struct {
	ID          int64
	BootID      string
	BegunUTC    time.Time // label only; nothing is computed from it
	ClockSynced bool      // whether the wall clock was trustworthy; false when unknown
	Kind        process.Kind
	Profile     string // title
	ProfileTOML string // the exact profile that ran
	Board       string
	Part        string
	Serial      string
	By          string
	Station     string
	Simulated   bool
	Software    string
	Channels    []Channel
	Period      time.Duration
}

// RunEnd is how it came out.
type RunEnd struct {
	State    State
	Code     string
	Reason   string
	By       string
	EndedUTC time.Time
	Elapsed  time.Duration
	Verdict  *process.Verdict // nil when there was nothing to judge
}

// RunEvent is something worth keeping about a run or, with run 0, about the station.
type RunEvent struct {
	At   time.Duration // since the run began, or since the process began for run 0
	UTC  time.Time
	Code string // stable: "state:held", "trip:door", "lift:confirmed", "command:stop", …
	Text string // one sentence
	By   string
}

// Recorder keeps runs. Calls may block on the disk, so the control goroutine never makes them.
type Recorder interface {
	Begin(ctx context.Context, h RunHead) (id int64, err error)
	Append(ctx context.Context, id int64, rows []Sample) error
	Event(ctx context.Context, id int64, e RunEvent) error
	End(ctx context.Context, id int64, e RunEnd) error
}

// RunRecord is one stored run without its samples.
type RunRecord struct {
	Head    RunHead
	End     RunEnd // State is empty while the run is open
	Samples int
	LastAt  time.Duration // time of the last kept sample
	Bad     int           // chunks that failed their check and are left out
}

// Archive reads back what was kept.
type Archive interface {
	Runs(ctx context.Context, limit int) ([]RunRecord, error) // newest first
	Run(ctx context.Context, id int64) (RunRecord, error)     // ErrNoRun when there is none
	Samples(ctx context.Context, id int64) ([]Channel, []Sample, error)
	Events(ctx context.Context, id int64) ([]RunEvent, error)
}

// ErrNoRun says that no run has this number.
type ErrNoRun struct{ ID int64 }

func (e ErrNoRun) Error() string { return "there is no such run" }

// NoRecord is a recorder that keeps nothing, for benches.
type NoRecord struct{}

// Begin implements Recorder.
func (NoRecord) Begin(context.Context, RunHead) (int64, error) { return 1, nil }

// Append implements Recorder.
func (NoRecord) Append(context.Context, int64, []Sample) error { return nil }

// Event implements Recorder.
func (NoRecord) Event(context.Context, int64, RunEvent) error { return nil }

// End implements Recorder.
func (NoRecord) End(context.Context, int64, RunEnd) error { return nil }
