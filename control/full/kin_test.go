package full_test

import (
	"math/rand/v2"
	"sync"
	"testing"

	"trivet/control/full"
	"trivet/sim/plant"
)

// A lesson is only good for boards of its type: the same board on another day must be told from another board.
func TestKinTellsBoardsApart(t *testing.T) {
	if testing.Short() {
		t.Skip("drives several boards")
	}
	trials := drawn(t, uint64(setting("SERIES", 13)), int(setting("BOARDS", 1)), 0.6)
	zones := commission(trials[0].machine, trials[0].board)
	var mu sync.Mutex
	kin, strangers, kinWrong, strangerWrong := 0, 0, 0, 0
	each(trials, func(i int, tr trial) score {
		first := fullLaw(tr, zones)
		run(tr, first, first.SeeBoard, walking(first), nil)
		lesson, _ := first.Lesson()
		try := func(tr trial) (k full.Result) {
			l := fullLaw(trial{machine: tr.machine, board: trials[i].board}, zones) // believed to be the first board
			l.SetLearned(&lesson.Theta)
			s := run(tr, l, l.SeeBoard, walking(l), nil)
			_ = s
			return *l.Latest()
		}
		same := try(again(tr, 3)).Kin
		other := again(tr, 4)
		other.board = plant.RandomBoard(rand.New(rand.NewPCG(77, uint64(i))))
		far := try(other).Kin
		mu.Lock()
		defer mu.Unlock()
		t.Logf("same %.2f (%d s) stranger %.2f (%d s)", same.Distance, same.Seconds, far.Distance, far.Seconds)
		kin, strangers = kin+1, strangers+1
		if !same.Kin {
			kinWrong++
		}
		if far.Kin {
			strangerWrong++
		}
		return score{}
	})
	t.Logf("%d of %d kin refused, %d of %d strangers taken for kin", kinWrong, kin, strangerWrong, strangers)
	if kinWrong*10 > kin || strangerWrong*2 > strangers {
		t.Error("kinship does not tell boards apart")
	}
}
