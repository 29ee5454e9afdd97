package safety

import (
	"testing"
	"time"

	"trivet/process/unit"
)

func TestARunBegunWithoutTheJointNeedsThePackageTopAllTheMore(t *testing.T) {
	b := newBench(t)
	b.f.Without = b.f.Without.With(0)
	b.f.Readings[0] = unit.Unusable(b.now, unit.Open)
	b.run(10 * time.Second)
	if b.v.Tripped || b.v.Hold || b.v.Allow&3 != 3 {
		t.Fatalf("a joint that the run was begun without changed the heat: %+v", b.v)
	}
	for p := range permissives {
		if permissives[p].Code == "sensor" && !permissives[p].Holds(&b.g.limits, &b.f, 0) {
			t.Error("such a run could not be begun")
		}
	}
	b.f.Readings[1] = unit.Unusable(b.now, unit.Open)
	if took := b.untilOff(All, time.Minute); took > time.Second {
		t.Errorf("heat went %v after the package top was lost too", took)
	}
}

func TestOnlyJointAndPackageTopCanBeLeftOut(t *testing.T) {
	b := newBench(t)
	b.f.Without = 1<<MaxSensors - 1
	b.f.Readings[2] = unit.Unusable(b.now, unit.Open)
	if took := b.untilOff(All, time.Minute); took > time.Second {
		t.Errorf("heat went %v after the nozzle was lost", took)
	}
	b = newBench(t)
	b.f.Without = 1<<MaxSensors - 1
	b.set(0, 261)
	if took := b.untilOff(All, time.Minute); took > 200*time.Millisecond {
		t.Errorf("heat went %v after a joint that still reads passed its ceiling", took)
	}
}
