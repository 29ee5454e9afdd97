package safety

import (
	"testing"
	"time"

	"trivet/process/unit"
)

// still feeds sensor i with one value and the others with what others says, for n ticks of 0.1 s, and returns in which tick it was found
// frozen, 0 for never.
func still(p *past, l *Limits, i, n int, others func(k, tick int) (float64, bool), model func(tick int) float64) int {
	var f Facts
	for t := 1; t <= n; t++ {
		now := time.Duration(t) * tick
		for k := range l.NSensors {
			r := unit.Measured(now, 100)
			if k != i {
				x, ok := others(k, t)
				if r = unit.Measured(now, unit.Celsius(x)); !ok {
					r = unit.Unusable(now, unit.Open)
				}
			}
			p.sensors[k].step(now, r)
		}
		p.heaters[0].seen, p.heaters[1].seen = model(t), 100+10*float64(min(t-1, 1))
		for k := range l.NSensors {
			p.freeze(now, l, &f, k)
		}
		if p.sensors[i].frozen {
			return t
		}
	}
	return 0
}

func flat(int, int) (float64, bool) { return 100, true }

// A value that repeats is a fault only when the sensor's own heater says that it should have moved by more than 4 K.
func TestASensorIsFrozenWhenItsOwnHeaterShouldHaveMovedIt(t *testing.T) {
	l := &Limits{NSensors: 3, NHeaters: 2}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleArea}, {Role: RoleNozzle}, {Role: RoleArea}}
	l.Heaters[0].Loop, l.Heaters[1].Loop = Loop{Sensor: 1, Gain: 1, Inertia: 1}, Loop{Sensor: 2, Gain: 1, Inertia: 1}
	for _, c := range []struct {
		story string
		model func(t int) float64
		on    bool
		i     int
		want  int
	}{
		{"up at once", func(t int) float64 { return 100 + 10*float64(min(t-1, 1)) }, true, 1, 11}, // ten equal samples after the first and a whole second
		{"down at once", func(t int) float64 { return 100 - 10*float64(min(t-1, 1)) }, true, 1, 11},
		{"by just 4 K", func(t int) float64 { return 100 + 4*float64(min(t-1, 1)) }, true, 1, 0},
		{"by a little more", func(t int) float64 { return 100 + 4.001*float64(min(t-1, 1)) }, true, 1, 11},
		{"slowly, by 5 K", func(t int) float64 { return 100 + 0.05*float64(t-1) }, true, 1, 82},
		{"a balance that has not begun", func(t int) float64 { return 100 + 10*float64(t) }, false, 1, 0},
		{"the second heater's", func(int) float64 { return 100 }, false, 2, 11},
		{"another sensor's heater", func(t int) float64 { return 100 + 10*float64(t) }, true, 0, 0},
	} {
		var p past
		p.heaters[0].on, p.heaters[1].on = c.on, c.i == 2
		if got := still(&p, l, c.i, 100, flat, c.model); got != c.want {
			t.Errorf("%s: frozen in tick %d; want %d", c.story, got, c.want)
		}
	}
}

// … or when two others on the board have moved by more than 5 K, 8 K for one that sits beside the part, within ten seconds.
func TestASensorIsFrozenWhenTwoOthersOnTheBoardHaveMoved(t *testing.T) {
	l := &Limits{NSensors: 5}
	by := func(k float64, most int, who ...int) func(int, int) (float64, bool) {
		return func(i, t int) (float64, bool) {
			for _, w := range who {
				if w == i {
					return 100 + k*float64(min(t-1, most))/float64(most), true
				}
			}
			return 100, true
		}
	}
	deaf := func(i, t int) (float64, bool) { x, _ := by(20, 10, 1, 2)(i, t); return x, i != 2 }
	gone := func(i, t int) (float64, bool) { x, _ := by(20, 10, 1, 2)(i, t); return x, i != 2 || t < 15 }
	ever := func(rate float64) func(int, int) (float64, bool) {
		return func(i, t int) (float64, bool) { return 100 + rate*float64(t-1), true }
	}
	for _, c := range []struct {
		story string
		role  Role
		move  func(int, int) (float64, bool)
		want  int
	}{
		{"a joint, two others by 20 K in a second", RoleJoint, by(20, 10, 1, 2), 31}, // three seconds are the least
		{"one other", RoleJoint, by(20, 10, 1), 0},
		{"one other and an element", RoleJoint, by(20, 10, 1, 4), 0},
		{"one other and one that does not read", RoleJoint, deaf, 0},
		{"one other and one that has moved and does not read any more", RoleJoint, gone, 0},
		{"by just 5 K", RoleJoint, by(5, 10, 1, 2), 0},
		{"down by a little more", RoleJoint, by(-5.01, 10, 1, 2), 31},
		{"a package top", RolePackageTop, by(5.01, 10, 1, 2), 31},
		{"a board by less than 8 K", RoleBoard, by(8, 10, 1, 2), 0},
		{"a board by more", RoleBoard, by(8.01, 10, 1, 2), 31},
		{"a neighbour by less than 8 K", RoleNeighbour, by(8, 10, 1, 2), 0},
		{"a neighbour by more", RoleNeighbour, by(8.01, 10, 1, 2), 31},
		{"an element, with which nothing moves", RoleArea, by(20, 10, 1, 2), 0},
		{"a nozzle", RoleNozzle, by(20, 10, 1, 2), 0},
		{"all creep by 4.9 K in ten seconds", RoleJoint, ever(0.049), 0},
		{"all creep by 5.03 K in a little more than ten seconds", RoleJoint, ever(0.0503), 0},
		{"all creep by 5.05 K in ten seconds", RoleJoint, ever(0.0506), 100},
	} {
		l.Sensors = [MaxSensors]Sensor{{Role: c.role}, {Role: RolePackageTop}, {Role: RoleBoard}, {Role: RoleJoint}, {Role: RoleArea}}
		var p past
		if got := still(&p, l, 0, 400, c.move, func(int) float64 { return 0 }); got != c.want {
			t.Errorf("%s: frozen in tick %d; want %d", c.story, got, c.want)
		}
	}
}

// What was found frozen stays so until its value changes, also when nothing around it moves any more.
func TestAFrozenSensorStaysFrozenUntilItsValueChanges(t *testing.T) {
	l, f, p := &Limits{NSensors: 3}, &Facts{}, past{}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleJoint}, {Role: RoleBoard}, {Role: RolePackageTop}}
	for k := 1; k <= 401; k++ {
		now := time.Duration(k) * tick
		p.sensors[0].step(now, unit.Measured(now, unit.Celsius(100+k/401)))
		for i := 1; i < 3; i++ {
			p.sensors[i].step(now, unit.Measured(now, unit.Celsius(100+2*min(k, 10))))
		}
		for i := range 3 {
			p.freeze(now, l, f, i)
		}
		if want := k >= 31 && k < 401; p.sensors[0].frozen != want {
			t.Fatalf("tick %d: frozen %v", k, p.sensors[0].frozen)
		}
	}
}

// With a slow chip the time between two samples counts from the first of them, and so does what moves in it.
func TestWhatMovesBetweenTwoSamplesOfASlowChipCounts(t *testing.T) {
	l, f, p := &Limits{NSensors: 3}, &Facts{}, past{}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleJoint}, {Role: RoleBoard}, {Role: RolePackageTop}}
	found := 0
	for k := 1; k <= 150 && found == 0; k++ {
		now := time.Duration(k) * tick
		x := unit.Celsius(99)
		if k >= 10 {
			x = 100
		}
		p.sensors[0].step(now, unit.Measured(time.Duration(k/10)*10*tick, x))
		for i := 1; i < 3; i++ {
			x := unit.Celsius(100)
			if k >= 15 {
				x = 120
			}
			p.sensors[i].step(now, unit.Measured(now, x))
		}
		for i := range 3 {
			p.freeze(now, l, f, i)
		}
		if p.sensors[0].frozen {
			found = k
		}
	}
	if found != 100 { // ten samples of 100 °C, the first in tick 10
		t.Errorf("frozen in tick %d", found)
	}
}

func TestAGapAfterTheFirstColdJunctionCountsToo(t *testing.T) {
	var p past
	l := &Limits{NSensors: 1}
	cold(&p, 1, l, func(int, int) (float64, bool) { return 25, true })
	cold(&p, 5, l, func(int, int) (float64, bool) { return 0, false })
	if got := cold(&p, 1, l, func(int, int) (float64, bool) { return 25.45, true }); got[0] {
		t.Error("half a second lets it change by 0.45 °C")
	}
	p = past{}
	cold(&p, 1, l, func(int, int) (float64, bool) { return 25, true })
	cold(&p, 3, l, func(int, int) (float64, bool) { return 0, false })
	cold(&p, 1, l, func(int, int) (float64, bool) { return 40, true }) // nobody knows which of the two was wrong
	if got := cold(&p, 1, l, func(int, int) (float64, bool) { return 40.35, true }); !got[0] {
		t.Error("the gap was before the second of them")
	}
}

// The distance is that of the sensor's own role: a board beside moving joints may follow later than a joint would.
func TestAFrozenSensorIsJudgedByItsOwnRole(t *testing.T) {
	l := &Limits{NSensors: 3}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleJoint}, {Role: RolePackageTop}, {Role: RoleBoard}}
	for by, want := range map[float64]int{6: 0, 9: 31} {
		var p past
		move := func(_, t int) (float64, bool) { return 100 + by*float64(min(t-1, 10))/10, true }
		if got := still(&p, l, 2, 100, move, func(int) float64 { return 0 }); got != want {
			t.Errorf("others by %g K: frozen in tick %d; want %d", by, got, want)
		}
	}
}

func TestAValueThatChangesOrAGapIsNoFrozenSensor(t *testing.T) {
	l := &Limits{NSensors: 3}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleJoint}, {Role: RoleBoard}, {Role: RolePackageTop}}
	var p past
	f := &Facts{}
	run := func(from, to int, x func(t int) unit.Reading) (found int) {
		for k := from; k < to; k++ {
			now := time.Duration(k) * tick
			p.sensors[0].step(now, x(k))
			for i := 1; i < 3; i++ {
				p.sensors[i].step(now, unit.Measured(now, unit.Celsius(100+0.5*float64(k))))
			}
			for i := range 3 {
				p.freeze(now, l, f, i)
			}
			if found == 0 && p.sensors[0].frozen {
				found = k
			}
		}
		return found
	}
	same := func(k int) unit.Reading { return unit.Measured(time.Duration(k)*tick, 100) }
	if k := run(1, 30, same); k != 0 {
		t.Fatalf("frozen after %d ticks", k)
	}
	run(30, 31, func(k int) unit.Reading { return unit.Measured(time.Duration(k)*tick, 100.25) }) // it lives
	if k := run(31, 59, same); k != 0 {
		t.Fatalf("it moved, and yet frozen after %d ticks", k)
	}
	if run(59, 80, same); !p.sensors[0].frozen {
		t.Fatal("not found")
	}
	run(80, 81, func(k int) unit.Reading { return unit.Unusable(time.Duration(k)*tick, unit.Open) })
	if p.sensors[0].frozen {
		t.Error("a gap is another fault")
	}
	if k := run(81, 115, same); k != 111 { // three seconds after the first sample behind the gap
		t.Errorf("frozen again in tick %d", k)
	}
	run(115, 116, func(k int) unit.Reading { return unit.Measured(time.Duration(k)*tick, 101) })
	if p.sensors[0].frozen {
		t.Error("it moves, and is not frozen any more")
	}
	// A slow chip's sample that is merely seen again is no repetition.
	p = past{}
	if k := run(1, 90, func(k int) unit.Reading { return unit.Measured(time.Duration(k/10)*10*tick, 100) }); k != 0 {
		t.Errorf("nine samples in nine seconds were taken for ten: tick %d", k)
	}
	if run(90, 92, func(k int) unit.Reading { return unit.Measured(time.Duration(k/10)*10*tick, 100) }); !p.sensors[0].frozen {
		t.Error("ten samples of a slow chip were not enough")
	}
}

// cold feeds cold junctions and returns which are bad after the last tick.
func cold(p *past, ticks int, l *Limits, at func(i, t int) (float64, bool)) (bad [MaxSensors]bool) {
	for t := range ticks {
		f := Facts{}
		for i := range l.NSensors {
			if x, ok := at(i, t); ok {
				f.Cold[i] = unit.Measured(0, unit.Celsius(x))
			}
		}
		p.coldJunctions(tick, l, &f)
	}
	for i := range bad {
		bad[i] = p.sensors[i].coldBad
	}
	return bad
}

func TestAColdJunctionMayNotStandApartFromTheMiddleOne(t *testing.T) {
	for _, c := range []struct {
		story string
		x     []float64 // negative: does not tell
		want  [MaxSensors]bool
	}{
		{"three together", []float64{25, 26, 27}, [MaxSensors]bool{}},
		{"8 K are allowed", []float64{33, 25, 25}, [MaxSensors]bool{}},
		{"more are not", []float64{33.1, 25, 25}, [MaxSensors]bool{true}},
		{"colder is as bad", []float64{25, 25, 16.9}, [MaxSensors]bool{2: true}},
		{"two cannot tell which", []float64{25, 50}, [MaxSensors]bool{}},
		{"two that tell, and one that does not", []float64{25, 50, -1}, [MaxSensors]bool{}},
		{"three of five", []float64{-1, 25, 40, -1, 25}, [MaxSensors]bool{2: true}},
		{"in any order", []float64{40, 27, 24, 26, 25}, [MaxSensors]bool{true}},
		{"the upper middle of four", []float64{20, 28.1, 29, 36.5}, [MaxSensors]bool{0: true}},
		{"sorted by value", []float64{31, 22, 40, 23, 24}, [MaxSensors]bool{2: true}},
	} {
		var p past
		l := &Limits{NSensors: len(c.x)}
		if got := cold(&p, 1, l, func(i, _ int) (float64, bool) { return c.x[i], c.x[i] >= 0 }); got != c.want {
			t.Errorf("%s: bad are %v", c.story, got)
		}
	}
}

// TestAColdJunctionMayChangeByHalfADegreeInASecond, and by two steps of the coarsest chip at once.
func TestAColdJunctionMayChangeByHalfADegreeInASecond(t *testing.T) {
	for _, c := range []struct {
		story string
		step  func(t int) float64
		want  bool
	}{
		{"nothing", func(int) float64 { return 0 }, false},
		{"0.25 °C at once", func(t int) float64 { return 0.25 * float64(t/20) }, false},
		{"0.26 °C at once", func(t int) float64 { return 0.26 * float64(t/20) }, true},
		{"0.26 °C down at once", func(t int) float64 { return -0.26 * float64(t/20) }, true},
		{"0.69 °C in a second", func(t int) float64 { return 0.069 * float64(max(0, t-10)) }, false},
		{"0.71 °C in a second", func(t int) float64 { return 0.071 * float64(max(0, t-10)) }, true},
		{"0.69 °C in each second", func(t int) float64 { return 0.069 * float64(t) }, false},
		{"0.71 °C a second before", func(t int) float64 { return 0.071 * float64(min(10, t)) }, false},
	} {
		var p past
		l := &Limits{NSensors: 1}
		if got := cold(&p, 21+10, l, func(_, t int) (float64, bool) { return 25 + c.step(max(0, t-10)), true }); got[0] != c.want {
			t.Errorf("%s: bad %v", c.story, got[0])
		}
	}
	var p past
	l := &Limits{NSensors: 1}
	cold(&p, 20, l, func(int, int) (float64, bool) { return 25, true })
	cold(&p, 5, l, func(_, t int) (float64, bool) { return 30, true })
	if k := &p.sensors[0]; !k.coldBad || k.coldFor != 5*tick {
		t.Errorf("after a jump: %v for %v", k.coldBad, k.coldFor)
	}
	cold(&p, 1, l, func(int, int) (float64, bool) { return 0, false })
	if k := &p.sensors[0]; k.coldBad || k.coldFor != 0 {
		t.Errorf("one that does not tell is not bad: %+v", k)
	}
	if got := cold(&p, 1, l, func(int, int) (float64, bool) { return 25.5, true }); got[0] {
		t.Error("a gap of 0.6 s lets it change by 0.5 °C")
	}
	cold(&p, 1, l, func(int, int) (float64, bool) { return 25.5, true })
	cold(&p, 5, l, func(int, int) (float64, bool) { return 0, false })
	if got := cold(&p, 1, l, func(int, int) (float64, bool) { return 26.1, true }); !got[0] {
		t.Error("a gap of half a second lets it change by 0.6 °C")
	}
}

// TestOneWildColdJunctionIsNotComparedWithLater: the sample after it is judged by those before. Of the first two nobody knows which was wild.
func TestOneWildColdJunctionIsNotComparedWithLater(t *testing.T) {
	for _, c := range []struct {
		story string
		x     []float64
		bad   []bool
	}{
		{"in the middle", []float64{25, 25, 33, 25, 25}, []bool{false, false, true, false, false}},
		{"twice", []float64{25, 25, 33, 33, 25}, []bool{false, false, true, true, false}},
		{"first", []float64{33, 25, 25, 25}, []bool{false, true, false, false}},
		{"second", []float64{25, 33, 25, 25}, []bool{false, true, true, false}},
		{"first, and then within what is allowed", []float64{33, 25, 25.25}, []bool{false, true, false}},
		{"first, and then a little more", []float64{33, 25, 25.29}, []bool{false, true, true}},
		{"in the middle, and then within what is allowed", []float64{25, 25, 25, 33, 25, 25.25}, []bool{false, false, false, true, false, false}},
		{"in the middle, and then a little too much", []float64{25, 25, 25, 33, 25, 25.29}, []bool{false, false, false, true, false, true}},
		{"again: what was before the first wild one is forgotten", []float64{25, 25, 25, 33, 25, 33, 25}, []bool{false, false, false, true, false, true, true}},
	} {
		var k track
		for i, x := range c.x {
			if got := k.jumps(x); got != c.bad[i] {
				t.Errorf("%s: sample %d bad %v, want %v", c.story, i, got, c.bad[i])
			}
		}
	}
}

// TestTheDistanceOfAJointIsJudgedByItsSurroundings at the limits of what still fits.
func TestTheDistanceOfAJointIsJudgedByItsSurroundings(t *testing.T) {
	l := &Limits{NSensors: 5}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleJoint, Guard: true}, {Role: RolePackageTop}, {Role: RoleBoard}, {Role: RoleNozzle}, {Role: RoleJoint, Guard: true}}
	for _, c := range []struct {
		story                string
		joint, top, board, e unit.Celsius // negative: does not read
		want                 bool
	}{
		{"between", 150, 160, 140, -1, false},
		{"25 K above the hotter", 185, 160, 140, -1, false},
		{"25 K above a hotter board", 185, 140, 160, -1, false},
		{"25 K below a colder package top", 115, 140, 160, -1, false},
		{"more", 185.1, 160, 140, -1, true},
		{"more above a hotter board", 185.1, 140, 160, -1, true},
		{"25 K below the colder", 115, 160, 140, -1, false},
		{"more below", 114.9, 160, 140, -1, true},
		{"more below a colder package top", 114.9, 140, 160, -1, true},
		{"far away, but half of the surroundings is missing", 300, -1, 140, -1, false},
		{"the other half", 300, 160, -1, -1, false},
		{"12 K from the estimate", 152, 160, 140, 140, false},
		{"more", 152.1, 160, 140, 140, true},
		{"more below it", 147.9, 160, 140, 160, true},
		{"12 K below it", 148, 160, 140, 160, false},
		{"far from the estimate, without surroundings", 200, -1, -1, 140, true},
		{"near the estimate, but not what is around it", 190, 160, 140, 185, true},
		{"a joint that does not read", -1, 160, 140, 300, false},
	} {
		f := &Facts{}
		for i, x := range []unit.Celsius{c.joint, c.top, c.board, 20, -1} {
			if x >= 0 {
				f.Readings[i] = unit.Measured(0, x)
			}
		}
		if c.e >= 0 {
			f.Estimate = unit.Measured(0, c.e)
		}
		one := *l
		one.NSensors = 4 // and no second joint
		if got := astray(&one, f, nil, 0); got != c.want {
			t.Errorf("%s: %v", c.story, got)
		}
		for i := 1; i < 4; i++ {
			if astray(&one, f, nil, i) {
				t.Errorf("%s: sensor %d is no joint", c.story, i)
			}
		}
	}
	frost := &Facts{} // below zero as well
	frost.Readings[0], frost.Readings[1], frost.Readings[2] = unit.Measured(0, 20), unit.Measured(0, -10), unit.Measured(0, -10)
	if !astray(l, frost, nil, 0) {
		t.Error("30 K above two that are below zero")
	}
	far := &Facts{}
	far.Readings[0], far.Readings[1], far.Readings[2], far.Readings[4] = unit.Measured(0, 300), unit.Measured(0, 100), unit.Measured(0, 100), unit.Measured(0, 100)
	if astray(l, far, nil, 0) {
		t.Error("one of two joints may be anywhere")
	}
	far.Readings[4] = unit.Reading{}
	if !astray(l, far, nil, 0) {
		t.Error("the last joint may not")
	}
	guess := &Facts{Estimate: unit.Measured(0, 100)}
	guess.Readings[0] = unit.Measured(0, 200)
	if astray(l, guess, nil, 0) {
		t.Error("of several joints nobody knows which one the estimate is about")
	}
	far.Without = 1
	if astray(l, far, nil, 0) {
		t.Error("a joint that the run does without may be anywhere")
	}
	l.Sensors[2].Role = RoleArea
	far.Without = 0
	if astray(l, far, nil, 0) {
		t.Error("one thing around it proves nothing")
	}
}

func TestASoundReadingNeedsASoundColdJunction(t *testing.T) {
	var p past
	f := &Facts{}
	f.Readings[1] = unit.Measured(0, 100)
	p.sensors[1].badFor, p.sensors[1].coldFor = time.Second, time.Minute
	p.sensors[2].badFor, p.sensors[2].coldFor = time.Second, time.Minute
	if !p.sound(f, 1) || p.sound(f, 2) {
		t.Error("sound is what reads")
	}
	p.sensors[1].coldBad = true
	if p.sound(f, 1) || p.lostFor(f, 1) != time.Minute || p.lostFor(f, 2) != time.Second {
		t.Error("what reads is lost as long as its cold junction is bad, what does not since its last sample")
	}
}

func TestHeatDependsOnGuardsAndOnTheLastOfSeveralJoints(t *testing.T) {
	l := &Limits{NSensors: 6}
	l.Sensors = [MaxSensors]Sensor{{Role: RoleJoint, Guard: true}, {Role: RolePackageTop, Guard: true}, {Role: RoleNeighbour}, {Role: RoleBoard, Guard: true}, {Role: RoleJoint, Guard: true}, {Role: RoleJoint}}
	for _, c := range []struct {
		story   string
		reads   []int
		without Mask
		want    []int // on which heat depends
	}{
		{"nothing reads", nil, 0, []int{0, 1, 3, 4}},
		{"the first joint reads", []int{0, 1, 3}, 0, []int{0, 1, 3}},
		{"the second joint reads", []int{4}, 0, []int{1, 3, 4}},
		{"both read", []int{0, 4}, 0, []int{1, 3}},
		{"a joint reads that is no guard", []int{5}, 0, []int{1, 3}},
		{"without the joints", nil, 1<<0 | 1<<4, []int{1, 3}},
		{"without the package top", nil, 1 << 1, []int{0, 3, 4}},
		{"without everything", nil, 1<<MaxSensors - 1, []int{3}},
	} {
		f := &Facts{Without: c.without}
		for _, i := range c.reads {
			f.Readings[i] = unit.Measured(0, 100)
		}
		var got []int
		for i := range l.NSensors {
			if needed(l, f, i) {
				got = append(got, i)
			}
		}
		if len(got) != len(c.want) {
			t.Errorf("%s: heat depends on %v; want %v", c.story, got, c.want)
			continue
		}
		for k := range got {
			if got[k] != c.want[k] {
				t.Errorf("%s: heat depends on %v; want %v", c.story, got, c.want)
			}
		}
	}
	// One beyond the table is no joint of this machine.
	l.NSensors = 4
	f := &Facts{}
	f.Readings[4] = unit.Measured(0, 100)
	if !needed(l, f, 0) {
		t.Error("a sensor that there is not stood in for the joint")
	}
}

func TestTheLowerOfTwoCeilingsCountsForItsOwnRole(t *testing.T) {
	l, f := &Limits{NSensors: 6}, &Facts{RunCeiling: Ceilings{Joint: 201, PackageTop: 202, Board: 203, Neighbour: 204}}
	for i, r := range []Role{RoleJoint, RolePackageTop, RoleBoard, RoleNeighbour, RoleNozzle, RoleArea} {
		l.Sensors[i] = Sensor{Role: r, Ceiling: 300}
		want := []unit.Celsius{201, 202, 203, 204, 300, 300}[i]
		if got := ceiling(l, f, i); got != want {
			t.Errorf("%s: %g; want %g", r, got, want)
		}
		for run, c := range map[unit.Celsius]unit.Celsius{0: 300, -1: 300, 0.5: 0.5, 299: 299, 300: 300, 301: 300} {
			if got := ceiling(l, &Facts{RunCeiling: Ceilings{run, run, run, run}}, i); got != c && i < 4 {
				t.Errorf("%s: a run's %g gives %g", r, run, got)
			}
		}
		f.Readings[i] = unit.Measured(0, want)
		if !overCeiling(l, f, nil, i) {
			t.Errorf("%s: at its ceiling and not over it", r)
		}
		f.Readings[i] = unit.Measured(0, want-0.1)
		if overCeiling(l, f, nil, i) {
			t.Errorf("%s: below its ceiling", r)
		}
		f.Readings[i] = unit.Unusable(0, unit.Open)
		if overCeiling(l, f, nil, i) {
			t.Errorf("%s: a reading without a number", r)
		}
	}
	f.Readings[7] = unit.Measured(0, 20)
	if overCeiling(l, f, nil, 7) {
		t.Error("what has no ceiling cannot be over it")
	}
	l.Sensors[7].Ceiling = 0.5
	if !overCeiling(l, f, nil, 7) {
		t.Error("a low ceiling is one")
	}
}

func TestARunsCeilingIsLooserWhenItIsRaisedOrTakenAway(t *testing.T) {
	for i := range 4 {
		at := func(x unit.Celsius) *Ceilings {
			c := [4]unit.Celsius{100, 100, 100, 100}
			c[i] = x
			return &Ceilings{c[0], c[1], c[2], c[3]}
		}
		for _, c := range []struct {
			now, was unit.Celsius
			want     bool
		}{{200, 200, false}, {199, 200, false}, {201, 200, true}, {0, 200, true}, {-1, 200, true}, {unit.Celsius(nan()), 200, true}, {200, 0, false}, {0, 0, false}, {0.5, 0.6, false}, {0, 0.5, true}} {
			if at(c.now).looser(at(c.was)) != c.want {
				t.Errorf("ceiling %d from %g to %g", i, c.was, c.now)
			}
		}
	}
}
