package plant

import (
	"math/rand/v2"
	"reflect"
	"testing"
)

func TestEveryRandomBoardCanBeBuilt(t *testing.T) {
	m := machineNamed(t, "bench-5kw")
	for i := range uint64(60) {
		rng := rand.New(rand.NewPCG(i, 1))
		b, s := RandomBoard(rng), RandomSpread(rng)
		if p := b.Validate(); len(p) > 0 {
			t.Errorf("board %d: %v", i, p)
			continue
		}
		if _, err := New(m, b, 25); err != nil {
			t.Errorf("board %d: %v", i, err)
		}
		if !(s.Mains >= 0.93 && s.Mains <= 1.07 && s.Ambient >= 21 && s.Ambient <= 29) {
			t.Errorf("spread %d out of its bounds: %+v", i, s)
		}
	}
}

func TestTheSameSeedDrawsTheSameBoard(t *testing.T) {
	draw := func() Board { return RandomBoard(rand.New(rand.NewPCG(7, 7))) }
	if a, b := draw(), draw(); !reflect.DeepEqual(a, b) {
		t.Errorf("drawn %+v and %+v from one seed", a, b)
	}
}
