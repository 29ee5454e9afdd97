package station

import (
	"time"

	"trivet/process/unit"
	"trivet/safety"
)

// PhaseLayers is the phase in which contactor, one-shot and relays are proven, before any air or heat.
const PhaseLayers Phase = "proving_layers"

// layers is the start-up sequence of a run. What it wants goes through the guard and the gate like any other drive, and the heartbeat
// it needs is still given from the one place in the keeper.
type layers struct {
	seq safety.Startup
}

// beginSequence chooses what comes first in a run: the proof of the layers where the machine can show them, else the air.
func (s *Station) beginSequence() {
	if s.setup.Limits.CanProve() {
		s.layers.seq.Begin(&s.setup.Limits)
		s.snap.Phase = PhaseLayers
		return
	}
	s.beginAir()
}

func (s *Station) beginAir() {
	if s.snap.Run.Order.Commission { // which proves the air itself, one blower after the other
		s.beginTest()
		return
	}
	s.snap.Phase = PhaseAir
	s.blow(true)
}

// testLayers does one tick of the sequence, before the guard looks at the facts.
func (s *Station) testLayers(now time.Duration) {
	s.watchInputs(now)
	s.facts.Testing = s.snap.State == Running && s.snap.Phase == PhaseLayers
	s.facts.Test = safety.StartOut{}
	if s.facts.Testing {
		s.facts.Test = s.layers.seq.Step(now, safety.StartIn{Mirror: s.facts.Mirror, Sensed: s.facts.Sensed})
	}
}

// afterLayers goes on to the air when every layer has been proven. A finding is the guard's business: it trips.
func (s *Station) afterLayers() {
	if s.facts.Test.Done {
		s.beginAir()
	}
}

// Junction is a thermometer whose chip also tells its own temperature. The reading is that of the last Read.
type Junction interface {
	ColdJunction() unit.Reading
}

// Mover is a thermometer whose chip has a rule of its own for a frozen value, by time alone unless it is told whether motion is to be
// expected. Time alone is not enough with steps of 0.25 °C: a board that holds still in a quiet shop repeats one frame for half a minute.
// The guard's rule knows what else has moved (hazard S-07), so the chip is told to expect nothing.
type Mover interface {
	ExpectMotion(expect bool)
}

// Supply is a measurement of the mains voltage relative to nominal.
type Supply interface {
	Share() (share float64, known bool)
}

// Guesser is a law that can say what the coldest joint's thermocouple should read without looking at it.
type Guesser interface {
	Guess() unit.Reading
}

// surroundings takes in what the guard judges readings by: cold junctions, mains, and the law's own opinion.
func (s *Station) surroundings(now time.Duration) {
	for i, j := range s.junctions[:len(s.hw.Sensors)] {
		if j != nil {
			s.facts.Cold[i] = j.ColdJunction()
		}
	}
	s.facts.Supply = 0
	if s.hw.Supply != nil {
		if v, ok := s.hw.Supply.Share(); ok {
			s.facts.Supply = v
		}
	}
	s.facts.Estimate = unit.Unusable(now, unit.NotRead)
	if s.guesser != nil {
		s.facts.Estimate = s.guesser.Guess()
	}
}
