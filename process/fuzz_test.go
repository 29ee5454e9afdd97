package process

import (
	"encoding/binary"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"trivet/process/unit"
)

// mostFuzzed bounds the work of one input: segments of a profile. A plan has at most three hours of seconds.
const mostFuzzed = 12

// segmentsOf makes segments of bytes, ten each: target and ramp as any number a float can be when the first byte says so, else
// as people write them.
func segmentsOf(data []byte) []Segment {
	var all []Segment
	for ; len(data) >= 10 && len(all) < mostFuzzed; data = data[10:] {
		word := func(i int) float64 { return float64(binary.LittleEndian.Uint16(data[i:])) }
		s := Segment{Name: string(rune('a' + len(all))), Target: unit.Celsius(word(1) / 200), Ramp: unit.KelvinPerSecond(word(3) / 10000),
			Hold: time.Duration(word(5)) * 10 * time.Millisecond, WaitWithin: unit.Kelvin(data[7]) / 10, Lift: data[8] == 1, Cool: data[8] == 2}
		switch data[0] {
		case 1:
			s.Target = unit.Celsius(math.Float64frombits(binary.LittleEndian.Uint64(data[1:])))
		case 2:
			s.Ramp = unit.KelvinPerSecond(math.Float64frombits(binary.LittleEndian.Uint64(data[1:])))
		case 3:
			s.WaitWithin = unit.Kelvin(math.Float64frombits(binary.LittleEndian.Uint64(data[1:])))
		case 4:
			s.Hold = time.Duration(binary.LittleEndian.Uint64(data[1:]))
		case 5:
			s.Name = string(data[1:9])
		}
		all = append(all, s)
	}
	return all
}

// segmentBytes is the way back, for what people write.
func segmentBytes(s Segment) []byte {
	b := make([]byte, 10)
	binary.LittleEndian.PutUint16(b[1:], uint16(s.Target*200))
	binary.LittleEndian.PutUint16(b[3:], uint16(s.Ramp*10000))
	binary.LittleEndian.PutUint16(b[5:], uint16(s.Hold/(10*time.Millisecond)))
	b[7] = byte(s.WaitWithin * 10)
	if s.Lift {
		b[8] = 1
	}
	if s.Cool {
		b[8] = 2
	}
	return b
}

// Whatever somebody writes down: it is refused with its reasons, or every number in it is finite and inside the bounds of
// a profile, and so is its plan at every moment, with the corridor around it (I-37).
func FuzzNewProfile(f *testing.F) {
	var good []byte
	for _, s := range []Segment{
		{Target: 150, Ramp: 0.6, Hold: 30 * time.Second, WaitWithin: 5}, {Target: 200, Ramp: 0.5, Hold: time.Minute}, {Target: 238, Ramp: 0.7, Hold: 20 * time.Second, Lift: true},
		{Target: 60, Ramp: 1.5, Cool: true},
	} {
		good = append(good, segmentBytes(s)...)
	}
	f.Add("removal-heavy", "Removal", "removal", "SAC305", 250.0, 5.0, 25.0, good)
	f.Add("p", "é", "placement", " sn63pb37 ", 0.0, 0.0, -40.0, good[:20])
	f.Add("Not a name", "", "", "tin", math.NaN(), math.Inf(1), math.NaN(), []byte{1, 0, 0, 0, 0, 0, 0, 0xF8, 0x7F, 0})
	f.Fuzz(func(t *testing.T, name, title, kind, alloy string, body, tolerance, start float64, data []byte) {
		found, err := FindAlloy(alloy)
		if (err == nil) != (found.Liquidus > 0) || err == nil && !strings.EqualFold(found.Name, strings.TrimSpace(alloy)) {
			t.Fatalf("alloy %q is %+v, %v", alloy, found, err)
		}
		if k, err := ParseKind(kind); (err == nil) != (k == Removal || k == Placement || k == Reball) {
			t.Fatalf("kind %q is %q, %v", kind, k, err)
		}
		p, err := NewProfile(Profile{Name: name, Title: title, Kind: Kind(kind), Alloy: found, Segments: segmentsOf(data), BodyLimit: unit.Celsius(body), Tolerance: unit.Kelvin(tolerance)})
		if err != nil {
			var wrong Problems
			if !errors.As(err, &wrong) || len(wrong) == 0 || p.Segments != nil {
				t.Fatalf("%T: %v, and still %+v", err, err, p)
			}
			return
		}
		checkProfile(t, p)
		p.Warnings()
		if plan, err := NewPlan(p, unit.Celsius(start)); err == nil {
			checkPlan(t, plan)
		} else if plan != nil {
			t.Fatalf("%v, and still a plan", err)
		}
	})
}

func inside(v, low, high float64) bool { return v >= low && v <= high }

func checkProfile(t *testing.T, p Profile) {
	t.Helper()
	if limit, ok := p.Body(); ok != (p.BodyLimit != 0) || ok && !inside(float64(limit), 100, 300) || !inside(float64(p.Tolerance), 1, 25) || len(p.Segments) == 0 {
		t.Fatalf("accepted %+v", p)
	}
	seconds := 0.0
	before := 25.0
	for _, s := range p.Segments {
		if !inside(float64(s.Target), 0, 300) || !inside(float64(s.Ramp), 0, 6) || s.Target == 0 || s.Ramp == 0 || s.Hold < 0 || !inside(float64(s.WaitWithin), 0, 25) {
			t.Fatalf("accepted %+v", s)
		}
		seconds += math.Abs(float64(s.Target)-before)/float64(s.Ramp) + s.Hold.Seconds()
		before = float64(s.Target)
	}
	if seconds > 3*3600+0.001 {
		t.Fatalf("accepted %v s", seconds)
	}
}

func checkPlan(t *testing.T, plan *Plan) {
	t.Helper()
	total := plan.Total()
	if total <= 0 || total > MaxDuration+time.Hour {
		t.Fatalf("a plan of %v", total)
	}
	lowest, highest := float64(plan.Start()), float64(plan.Start())
	for _, s := range plan.Profile().Segments {
		lowest, highest = min(lowest, float64(s.Target)), max(highest, float64(s.Target))
	}
	for i := -1; i <= 101; i++ {
		at := total / 100 * time.Duration(i)
		pt := plan.At(at)
		low, high := plan.Corridor(at)
		if !inside(float64(pt.Target), lowest-0.01, highest+0.01) || !inside(float64(pt.Slope), -6.01, 6.01) || !(low <= pt.Target && pt.Target <= high) ||
			pt.Segment < 0 || pt.Segment >= len(plan.Profile().Segments) || pt.SegmentLeft < 0 || pt.SegmentLeft > total+time.Hour {
			t.Fatalf("at %v of %v: %+v in %v…%v; all targets are %v…%v", at, total, pt, low, high, lowest, highest)
		}
	}
}

// Whatever a column is called it has one role, and one of several is a joint.
func FuzzRolesFor(f *testing.F) {
	f.Add("joint1_c,Body,board-near,x")
	f.Add("air")
	f.Add("LID_C,pcb,\xff,")
	f.Fuzz(func(t *testing.T, names string) {
		list := strings.Split(names, ",")
		roles := RolesFor(list)
		joints := 0
		for _, r := range roles {
			switch r {
			case RoleJoint:
				joints++
			case RoleBody, RoleBoard, RoleOther:
			default:
				t.Fatalf("%q has a role %q", list, r)
			}
		}
		if len(roles) != len(list) || len(list) == 1 && joints != 1 {
			t.Fatalf("%q has %q", list, roles)
		}
	})
}
