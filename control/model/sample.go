package model

// Has says which readings of a sample may be used.
type Has uint8

// The readings of a sample.
const (
	HasJoint Has = 1 << iota
	HasBody
	HasBoard
	HasHeat // all heaters that the model needs: without them the sample cannot drive it
)

// Sample is one second of a run: means of the readings in it. A number counts only if Has says so.
type Sample struct {
	Input
	Joint, Body, Board float64 // readings, °C
	Fan                float64 // board fans, 0…1
	Has                Has
}

// Track is what a run has shown so far, one sample a second, oldest first.
type Track struct {
	Samples []Sample
}

// Start returns the state in which the track begins: everything at what its own thermocouple says, or at the mean of
// the others; ok is false when no reading is usable in the first samples. Before heat the whole board is at one temperature.
func (t *Track) Start() (x State, ok bool) {
	sum, n := 0.0, 0.0
	for i := 0; i < len(t.Samples) && i < 4; i++ {
		s := &t.Samples[i]
		if s.Has&HasJoint != 0 {
			sum, n = sum+s.Joint, n+1
		}
		if s.Has&HasBody != 0 {
			sum, n = sum+s.Body, n+1
		}
		if s.Has&HasBoard != 0 {
			sum, n = sum+s.Board, n+1
		}
	}
	if n == 0 {
		return x, false
	}
	m := sum / n
	return State{m, m, m}, true
}
