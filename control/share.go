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

// Deliverable returns the mean power that whole relays can draw of a budget, W: whichever heater's turn it is, the best set of relays with
// it that keeps to the budget draws at least this much. 450, 400 and 400 W beside 700 W make 1150 W of 1440 W. A plan that counted on
// the whole budget would count on what no tick can draw.
func Deliverable(zones []Zone, budget float64) float64 {
	least, total := budget, 0.0
	for i := range zones {
		total += float64(zones[i].Rated)
		if _, w := heaviest(zones, Set(1<<len(zones)-1), Set(1)<<i, budget, nil); w > 0 {
			least = min(least, w)
		}
	}
	if total <= budget {
		return budget
	}
	return least
}

// heaviest returns the subset of among that contains must, draws at most budget, and weighs most, with what it draws; the weight of a
// relay is its power times what it is owed, or its power alone. There are at most 2^MaxZones subsets.
func heaviest(zones []Zone, among, must Set, budget float64, owed *[MaxZones]float64) (best Set, watts float64) {
	most := -1.0
	for set := Set(0); set < 1<<len(zones); set++ {
		if set&^among != 0 || set&must != must {
			continue
		}
		w, weight := 0.0, 0.0
		for i := range zones {
			if set.Has(i) {
				p := float64(zones[i].Rated)
				w += p
				if owed != nil {
					p *= owed[i]
				}
				weight += p
			}
		}
		if w <= budget && weight > most {
			best, watts, most = set, w, weight
		}
	}
	return best, watts
}

// decide returns the set of relays to switch on for the coming tick so that their rated powers together never exceed the budget
// (invariant I-9). Of the heaters that are owed at least half a tick, the set that is owed most energy is served: by this rule every
// demand that any sequence of whole relays could serve is served (max-weight scheduling, Tassiulas and Ephremides 1992), which
// serving the longest waiting first does not do.
func (s *sharer) decide(zones []Zone, duty *[MaxZones]float64, budget float64, allow Set) Set {
	ready, used := Set(0), 0.0
	for i := range zones {
		if !allow.Has(i) || duty[i] <= 0 {
			s.owed[i] = 0 // what was not allowed is not owed later
			continue
		}
		// Never owe more than two ticks: a heater that waited must not come back as a burst.
		s.owed[i] = min(s.owed[i]+min(duty[i], zones[i].Most()), 2)
		if s.owed[i] >= 0.5 {
			ready |= 1 << i
			used += float64(zones[i].Rated)
		}
	}
	on := ready
	if used > budget {
		on, _ = heaviest(zones, ready, 0, budget, &s.owed)
	}
	for i := range zones {
		if on.Has(i) {
			s.owed[i]--
		}
	}
	return on
}
