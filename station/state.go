package station

import "fmt"

// State is what the station is doing, in the words of IEC 61512 (batch control, procedural states). The words
// appear in the API and in stored runs: do not rename them.
type State string

// The states.
const (
	Idle       State = "idle"
	Running    State = "running"
	Holding    State = "holding"
	Held       State = "held"
	Restarting State = "restarting"
	Stopping   State = "stopping"
	Stopped    State = "stopped"
	Aborting   State = "aborting"
	Aborted    State = "aborted"
	Complete   State = "complete"
)

// States lists every state, in the order above.
var states = [...]State{Idle, Running, Holding, Held, Restarting, Stopping, Stopped, Aborting, Aborted, Complete}

// Event is something that moves the station from one state to another.
type Event string

// The events. The first five are commands of people; the others happen by themselves.
const (
	Start   Event = "start"
	Hold    Event = "hold"
	Restart Event = "restart"
	Stop    Event = "stop"
	Reset   Event = "reset"
	Trip    Event = "trip"    // the guard latched
	Settled Event = "settled" // the transient state has reached its quiet state
	Finish  Event = "finish"  // the profile has ended and the board is cool
)

// moves is the whole state machine: what is not listed is refused. Stop and trip are listed for every state
// that can have heat; a test walks all of them.
var moves = map[State]map[Event]State{
	Idle:       {Start: Running},
	Running:    {Hold: Holding, Stop: Stopping, Trip: Aborting, Finish: Complete},
	Holding:    {Settled: Held, Restart: Restarting, Stop: Stopping, Trip: Aborting},
	Held:       {Restart: Restarting, Stop: Stopping, Trip: Aborting},
	Restarting: {Settled: Running, Hold: Holding, Stop: Stopping, Trip: Aborting},
	Stopping:   {Settled: Stopped, Trip: Aborting, Stop: Stopping},
	Stopped:    {Reset: Idle, Start: Running, Stop: Stopped},
	Aborting:   {Settled: Aborted, Trip: Aborting, Stop: Aborting},
	Aborted:    {Reset: Idle, Trip: Aborted, Stop: Aborted},
	Complete:   {Reset: Idle, Start: Running, Stop: Complete},
}

// Next returns the state that follows s when e happens, or why that is not allowed.
func Next(s State, e Event) (State, error) {
	if to, ok := moves[s][e]; ok {
		return to, nil
	}
	return s, fmt.Errorf("cannot %s while %s", e, s)
}

// Live reports whether a run is in progress: it has begun and not yet reached a quiet end.
func (s State) Live() bool {
	switch s {
	case Running, Holding, Held, Restarting, Stopping, Aborting:
		return true
	}
	return false
}

// Heats reports whether heat may be on the board in this state (invariant I-1).
func (s State) Heats() bool {
	switch s {
	case Running, Holding, Held, Restarting:
		return true
	}
	return false
}
