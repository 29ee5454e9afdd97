package plant

import (
	"math"
	"testing"
	"time"
)

// heated returns a shipped-like board under half power for a minute.
func heated(t *testing.T) (*Plant, Drive) {
	t.Helper()
	p := newPlant(t, machineNamed(t, "bench-5kw"), boardNamed(t, "switch-16-layer"))
	d := Drive{Mains: 1, Blower: [2]float64{1, 1}}
	for i := range d.Heater {
		d.Heater[i] = 0.5
	}
	p.Step(time.Minute, d)
	return p, d
}

func TestWhatIsPutBackWhereItWasChangesNothing(t *testing.T) {
	p, d := heated(t)
	q, _ := heated(t)
	p.Aim(20)
	p.Lift(true)
	p.Lift(false)
	p.Aim(0)
	p.Step(30*time.Second, d)
	q.Step(30*time.Second, d)
	// Not to the last bit: free convection is computed anew at other moments.
	a, b := p.Truth(), q.Truth()
	for _, d := range []float64{float64(a.CornerJoint - b.CornerJoint), float64(a.PackageTop - b.PackageTop), float64(a.BoardMax - b.BoardMax), float64(a.Neighbour - b.Neighbour)} {
		if !(math.Abs(d) < 0.01) {
			t.Errorf("%+v, untouched %+v", a, b)
		}
	}
}

func TestALiftedPartCoolsWhileItsPadsGetHotter(t *testing.T) {
	p, d := heated(t)
	q, _ := heated(t)
	p.Lift(true)
	before := p.Truth()
	p.Step(20*time.Second, d)
	q.Step(20*time.Second, d)
	if a := p.Truth(); a.PackageTop >= before.PackageTop || a.CornerJoint <= q.Truth().CornerJoint {
		t.Errorf("part %.1f → %.1f °C, pads %.1f °C, under a part %.1f °C", float64(before.PackageTop), float64(a.PackageTop), float64(a.CornerJoint), float64(q.Truth().CornerJoint))
	}
	if r := p.Energy().Residual(); !(math.Abs(r) < 2e-3) {
		t.Errorf("the heat balance is off by %.4f", r)
	}
}

func TestANozzleBesideThePartHeatsItLess(t *testing.T) {
	p, d := heated(t)
	q, _ := heated(t)
	p.Aim(40)
	p.Step(20*time.Second, d)
	q.Step(20*time.Second, d)
	if p.Truth().PackageTop >= q.Truth().PackageTop {
		t.Errorf("package top %.1f °C, under the nozzle %.1f °C", float64(p.Truth().PackageTop), float64(q.Truth().PackageTop))
	}
}
