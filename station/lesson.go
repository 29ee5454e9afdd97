package station

import "time"

// Lesson is what one run has taught about a pairing, for the runs that follow on the same one. The station neither makes
// nor reads lessons: they pass between whoever learns and whoever keeps records.
type Lesson struct {
	// Pairing names the board type, the part and the machine that belong together. Only equality counts.
	Pairing string
	// Run is the number of the run that taught it, 0 when none did (a lesson brought from elsewhere).
	Run int64
	// UTC is when it was learned. A label only: the order of a list is the order of learning, whatever the clock said.
	UTC time.Time
	// Data means something to the learner alone, and carries its own version: a record outlives the code that wrote it.
	Data []byte
}
