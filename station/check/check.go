// Package check searches, state by state, what the real supervisor and the real state machine can do when everything around them is
// against them. Nothing is modelled: the code that runs is safety.Guard.Step, station.Keeper and station.Station.Tick, on a machine
// of a few booleans. It may not be imported by anything but tests, starts no goroutine and reads no clock but for its own budget.
//
// # How it searches
//
// Breadth first, from several roots (at rest, proving air, heating, held, …), each reached by real commands. A state is known by the
// shortest list of moves that leads to it. To expand it the list is replayed from the very beginning; then the objects are copied
// once, and put back in place by assignment before every move. Replaying checks itself: a state that does not come back with the
// key it was found with means that something which matters is not in the key, and ends the search with an error.
//
// # What the key is, and what it drops
//
// The key is a 64-bit hash of every field of Guard, Keeper, Station, machine and properties, found by reflection: a new field is in
// the key the day it is written. Exceptions stand in a table (policy.go), each with its reason. They are of three kinds:
//
//   - Sound: constants; what only people see; times of which only "how long ago" counts, cut off above the longest delay that is
//     compared with them; what nothing on this machine reads (no heat balance, no cold junction, no estimate).
//   - Heuristic: the pattern of a sensor's last 20 samples becomes a coarse count, the times of a contact's last six changes become a
//     count, and slow clocks (of a hold, of a run, of the lift window, of the air after a run) are cut into coarse steps.
//   - Accepted: two of n states share a 64-bit key with probability n²/2⁶⁵, 3·10⁻⁸ for a million.
//
// What is left out: the warm-up proof, runs without a joint thermocouple, forecasts and heat balances (control/proof, station/repeat.go and
// station/ahead.go have tests of their own), several joints, and anything that needs more moves than the depth of a search.
//
// Merging never invents anything: each counterexample is a run of the real code. It can hide one. "Closed" in a result therefore
// means that no new key was left, not a proof.
//
// # Time
//
// A tick is 0.5 s: all delays of the code are compared with differences of time stamps, so that the same delays take a fifth of the
// ticks. Delays shorter than 0.5 s (start-up sequence) are over within one. Random walks at the real 0.1 s make up for some of it.
package check

import (
	"fmt"
	"time"
)

// System is something that can be searched. It has one state at a time and one slot to save it in.
type System interface {
	Reset()            // to the beginning
	Moves() []string   // the alphabet, fixed
	Able(m int) bool   // whether move m makes sense in the present state
	Do(m int) string   // makes it; returns the name of a broken property, or nothing
	Save()             // into the slot
	Restore()          // from it
	Key() uint64       // of the present state
	Probe() string     // asks a new state what it could come to; spoils it; returns a broken property, or nothing
	Ticks() int        // made since the system was built
	Roots() [][]string // lists of moves that lead to where the search begins
}

// Options bounds a search. Zero means no bound.
type Options struct {
	Depth  int           // moves beyond a root
	States int           // to expand
	Budget time.Duration // processor time, about
	All    bool          // go on after the first broken property and collect one counterexample for each
	Only   map[string]bool
}

// Counterexample is the shortest way found to a broken property.
type Counterexample struct {
	Property string
	Root     []string // how the search came to its root
	Path     []string // and on from there
}

// Result is what a search has seen.
type Result struct {
	States, Edges, Ticks int
	Depth                int  // deepest level that was expanded wholly
	Closed               bool // no state was left to expand
	Took                 time.Duration
	Broken               []Counterexample
}

// String is one line for people.
func (r Result) String() string {
	how := fmt.Sprintf("to depth %d", r.Depth)
	if r.Closed {
		how = fmt.Sprintf("closed at depth %d", r.Depth)
	}
	return fmt.Sprintf("%d states, %d edges, %d ticks, %s, %.1f s, %d properties broken", r.States, r.Edges, r.Ticks, how, r.Took.Seconds(), len(r.Broken))
}

// node is one state found.
type node struct {
	parent int32 // negative for a root: −1−number of the root
	move   int16
	depth  int16
	key    uint64
}

// search is one run of Search.
type search struct {
	sys    System
	o      Options
	names  []string
	index  map[string]int
	roots  [][]int
	nodes  []node
	seen   map[uint64]bool
	broken map[string]bool
	out    Result
	begun  time.Time
}

// Search explores sys breadth first. An error means that the search itself cannot be trusted.
func Search(sys System, o Options) (Result, error) {
	s := &search{sys: sys, o: o, names: sys.Moves(), index: map[string]int{}, seen: map[uint64]bool{}, broken: map[string]bool{}, begun: time.Now()}
	for i, n := range s.names {
		s.index[n] = i
	}
	ticks := sys.Ticks()
	err := s.run()
	s.out.States, s.out.Ticks, s.out.Took = len(s.nodes), sys.Ticks()-ticks, time.Since(s.begun)
	return s.out, err
}

func (s *search) run() error {
	for i, names := range s.sys.Roots() {
		moves, err := s.moves(names)
		if err != nil {
			return err
		}
		s.roots = append(s.roots, moves)
		s.sys.Reset()
		for k, m := range moves {
			if p := s.sys.Do(m); p != "" {
				s.found(p, names[:k+1], nil)
			}
		}
		s.add(node{parent: int32(-1 - i)})
	}
	if s.done() {
		return nil
	}
	for at := 0; at < len(s.nodes); at++ {
		n := s.nodes[at]
		if s.o.Depth > 0 && int(n.depth) >= s.o.Depth || s.o.States > 0 && at >= s.o.States || s.o.Budget > 0 && time.Since(s.begun) > s.o.Budget {
			return nil
		}
		s.out.Depth = int(n.depth)
		if err := s.expand(int32(at)); err != nil {
			return err
		}
		if s.done() {
			return nil
		}
	}
	s.out.Closed = true
	return nil
}

// expand makes every move from one state.
func (s *search) expand(at int32) error {
	root, path := s.path(at)
	s.sys.Reset()
	for _, m := range s.roots[root] {
		s.sys.Do(m)
	}
	for _, m := range path {
		s.sys.Do(m)
	}
	if k := s.sys.Key(); k != s.nodes[at].key {
		return fmt.Errorf("state %d does not come back when replayed: something that matters is not restored or not in the key\n%v", at, s.list(path))
	}
	s.sys.Save()
	for m := range s.names {
		s.sys.Restore()
		if !s.sys.Able(m) {
			continue
		}
		p := s.sys.Do(m)
		s.out.Edges++
		if p != "" {
			s.found(p, s.list(s.roots[root]), s.list(append(path[:len(path):len(path)], m)))
			if s.done() {
				return nil
			}
			continue
		}
		if !s.add(node{parent: at, move: int16(m), depth: s.nodes[at].depth + 1}) {
			continue
		}
		if p := s.sys.Probe(); p != "" {
			s.found(p, s.list(s.roots[root]), s.list(append(path[:len(path):len(path)], m)))
			if s.done() {
				return nil
			}
		}
	}
	return nil
}

// add notes the present state if it is new.
func (s *search) add(n node) bool {
	n.key = s.sys.Key()
	if s.seen[n.key] {
		return false
	}
	s.seen[n.key] = true
	s.nodes = append(s.nodes, n)
	return true
}

func (s *search) found(property string, root, path []string) {
	if s.broken[property] || s.o.Only != nil && !s.o.Only[property] {
		return
	}
	s.broken[property] = true
	s.out.Broken = append(s.out.Broken, Counterexample{Property: property, Root: root, Path: path})
}

func (s *search) done() bool { return len(s.broken) > 0 && !s.o.All }

// path returns the root of a state and the moves from there.
func (s *search) path(at int32) (root int, moves []int) {
	for at >= 0 {
		n := s.nodes[at]
		if n.parent < 0 {
			root = int(-1 - n.parent)
			break
		}
		moves = append(moves, int(n.move))
		at = n.parent
	}
	for i, j := 0, len(moves)-1; i < j; i, j = i+1, j-1 {
		moves[i], moves[j] = moves[j], moves[i]
	}
	return root, moves
}

func (s *search) list(moves []int) []string {
	out := make([]string, len(moves))
	for i, m := range moves {
		out[i] = s.names[m]
	}
	return out
}

func (s *search) moves(names []string) ([]int, error) {
	out := make([]int, len(names))
	for i, n := range names {
		m, ok := s.index[n]
		if !ok {
			return nil, fmt.Errorf("a root uses the move %q, which this alphabet does not have", n)
		}
		out[i] = m
	}
	return out, nil
}
