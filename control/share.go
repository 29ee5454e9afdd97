package control

// Set is a set of zones, one bit each, bit 0 being zone 0.
type Set uint16

// Has reports whether zone i is in the set.
func (s Set) Has(i int) bool { return s&(1<<i) != 0 }

// sharer turns duties into relay states, one decision per heater and tick.
//
// Each heater carries the error between what was asked and what its relay gave (error feedback, also called
// first-order delta-sigma), so that the mean power over a few ticks is the asked one without any window.
// A relay that is on is on for the whole tick: 100 ms are ten half-cycles at 50 Hz and twelve at 60 Hz, a whole
// number of full cycles, so that a zero-crossing relay leaves no direct current on the mains.
type sharer struct {
	owed [MaxZones]float64
}

// fit scales the asked duties so that their mean power keeps to the budget, taking from the last in priority first,
// and reports whether anything had to give. Hot-air heads come before area heaters because a joint that has begun
// to melt must be finished (control study).
func fit(zones []Zone, duty *[MaxZones]float64, budget float64) bool {
	total := 0.0
	for i := range zones {
		total += duty[i] * float64(zones[i].Rated)
	}
	short := false
	for i := len(zones) - 1; i >= 0 && total > budget; i-- {
		p := duty[i] * float64(zones[i].Rated)
		give := min(p, total-budget)
		duty[i] = max(0, duty[i]-give/float64(zones[i].Rated)) // rounding must not leave a duty below nothing
		total -= give
		short = true
	}
	return short
}

// decide returns the set of relays to switch on for the coming tick so that their rated powers together never
// exceed the budget (invariant I-9): the heater that is owed most comes first, and one that does not fit waits.
func (s *sharer) decide(zones []Zone, duty *[MaxZones]float64, budget float64, allow Set) Set {
	for i := range zones {
		if !allow.Has(i) || duty[i] <= 0 {
			s.owed[i] = 0 // what was not allowed is not owed later
			continue
		}
		// Never owe more than two ticks: a heater that waited must not come back as a burst.
		s.owed[i] = min(s.owed[i]+duty[i], 2)
	}
	on := Set(0)
	used := 0.0
	for {
		best := -1
		for i := range zones {
			if on.Has(i) || s.owed[i] < 0.5 || used+float64(zones[i].Rated) > budget {
				continue
			}
			if best < 0 || s.owed[i] > s.owed[best] {
				best = i
			}
		}
		if best < 0 {
			return on
		}
		on |= 1 << best
		used += float64(zones[best].Rated)
		s.owed[best]--
	}
}
