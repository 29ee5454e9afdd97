package observe

import (
	"bytes"
	"encoding/gob"

	"trivet/control/model"
)

// filterState is a filter with everything in the open.
type filterState struct {
	X          model.State
	Push, Rate float64
	P          [size * size]float64
	Noise      Noise
	N          int
}

// GobEncode lets a filter go to another process of the same program.
func (f Filter) GobEncode() ([]byte, error) {
	var b bytes.Buffer
	err := gob.NewEncoder(&b).Encode(filterState{f.X, f.Push, f.rate, f.p, f.noise, f.n})
	return b.Bytes(), err
}

// GobDecode takes a filter that came from there.
func (f *Filter) GobDecode(data []byte) error {
	var s filterState
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&s); err != nil {
		return err
	}
	*f = Filter{X: s.X, Push: s.Push, rate: s.Rate, p: s.P, noise: s.Noise, n: s.N}
	return nil
}
