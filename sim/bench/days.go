package bench

import (
	"context"
	"math/rand/v2"
	"runtime"
	"sync"

	"trivet/control/learn"
	"trivet/sim/plant"
)

// Series is how boards of one type are run day after day on one machine, by the law that learns.
type Series struct {
	Types   int  // how many board types are drawn
	Days    int  // boards of each type, run with a joint thermocouple, one after the other; what they taught is kept in a book
	Repeat  bool // then one more board without a joint thermocouple
	Strange bool // and one of another type, without a joint thermocouple, taken for one of this type
	Seed    int64
}

// Day is one board of a series beside the others of its type.
type Day struct {
	Summary
	Type    int    `json:"type"`
	Day     int    `json:"day"`     // counted from 0
	Sort    string `json:"sort"`    // "joint", "repeat" or "stranger"
	Lessons int    `json:"lessons"` // in the book when it began
	Learned string `json:"learned"` // why nothing was learned, or what became of the book; empty when the lesson was simply taken
}

// The sorts of day.
const (
	WithJoint = "joint"
	Repeat    = "repeat"
	Stranger  = "stranger"
)

// seriesStream keeps the draws of a series apart from those of Draw with the same seed.
const seriesStream = 1 << 32

// RunSeries runs a series and returns its days type by type. The result does not depend on the number of processors.
func RunSeries(ctx context.Context, p Parts, s Series, tell func(done, of int)) ([]Day, error) {
	each := s.Days
	if s.Repeat {
		each++
	}
	if s.Strange {
		each++
	}
	out := make([][]Day, s.Types)
	errs := make([]error, s.Types)
	var mu sync.Mutex
	done := 0
	step := func() {
		mu.Lock()
		defer mu.Unlock()
		if done++; tell != nil {
			tell(done, each*s.Types)
		}
	}
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				out[i], errs[i] = oneType(ctx, p, s, i, step)
			}
		})
	}
	for i := range s.Types {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	wg.Wait()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	var all []Day
	for i := range out {
		if errs[i] != nil {
			return nil, errs[i]
		}
		all = append(all, out[i]...)
	}
	return all, nil
}

// oneType runs the boards of type i.
func oneType(ctx context.Context, p Parts, s Series, i int, step func()) ([]Day, error) {
	first := Draw(p, s.Seed, i)
	rng := rand.New(rand.NewPCG(uint64(s.Seed), seriesStream+uint64(i)))
	book := &learn.Book{}
	var days []Day
	// run takes one board. What the shop believes of it is the first board's description: that is how a type is known.
	run := func(q Parts, sort string) error {
		q.Believed, q.Book = &first.Board, book
		q.Scenario.Seed = first.Scenario.Seed + int64(1000*len(days))
		d := Day{Type: i, Day: len(days), Sort: sort, Lessons: len(book.Lessons)}
		r, err := Run(ctx, q, nil)
		if err != nil {
			return err
		}
		d.Summary = r.Summary
		if sort == WithJoint && r.Lesson != nil {
			d.Learned = book.Offer(*r.Lesson).Why
		}
		days = append(days, d)
		step()
		return nil
	}
	sibling := func() Parts {
		q := first
		board, spread := plant.Sibling(rng, first.Board, *first.Spread)
		q.Board, q.Spread, q.Scenario.AmbientC = board, &spread, spread.Ambient
		return q
	}
	for d := range s.Days {
		q := first
		if d > 0 {
			q = sibling()
		}
		if err := run(q, WithJoint); err != nil {
			return nil, err
		}
	}
	if s.Repeat {
		q := sibling()
		q.NoJoint = true
		if err := run(q, Repeat); err != nil {
			return nil, err
		}
	}
	if s.Strange {
		q := sibling()
		q.Board, q.NoJoint = plant.RandomBoard(rng), true
		if err := run(q, Stranger); err != nil {
			return nil, err
		}
	}
	return days, nil
}
