package rig

import (
	"math"
	"testing"
	"time"

	"trivet/process/unit"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/sim/fault"
	"trivet/sim/plant"
)

func machine(t *testing.T) *Rig {
	t.Helper()
	m, err := catalog.Machine("bench-5kw")
	if err != nil {
		t.Fatal(err)
	}
	b, err := catalog.Board("switch-16-layer")
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(m, b, unit.Celsius(25), 1, []Probe{
		{Name: "joint", Role: safety.RoleJoint, Spot: plant.Corner, Chip: "max31855"},
		{Name: "top-air", Role: safety.RoleNozzle, Spot: plant.NozzleTop, Chip: "max31855"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestWhatIsPutOnTwoPlacesComesOffAgain(t *testing.T) {
	r := machine(t)
	for _, f := range []fault.Fault{
		{Kind: "sensor_swapped", Target: "joint", With: "top-air"},
		{Kind: "sensor_detached", Target: "joint", Value: 1},
		{Kind: "relay_swapped", Target: "top", With: "left"},
		{Kind: "sensor_type", Target: "joint", With: "J"},
	} {
		before := [...]any{r.Probes[0].at, r.Probes[1].at, r.Plant.Attachment(plant.Corner), r.wired, r.Probes[0].wire}
		for _, on := range []bool{true, false} {
			if err := r.Apply(f, on); err != nil {
				t.Fatal(err)
			}
			after := [...]any{r.Probes[0].at, r.Probes[1].at, r.Plant.Attachment(plant.Corner), r.wired, r.Probes[0].wire}
			if (after == before) == on {
				t.Errorf("%s, on %v: %v", f.Kind, on, after)
			}
		}
	}
}

func TestWhatCannotBeIsRefused(t *testing.T) {
	r := machine(t)
	for _, f := range []fault.Fault{
		{Kind: "sensor_swapped", Target: "joint", With: "nobody"},
		{Kind: "sensor_type", Target: "joint", With: "Q"},
		{Kind: "sensor_detached", Target: "top-air"},
		{Kind: "sensor_detached", Target: "joint", Value: 2},
		{Kind: "relay_swapped", Target: "top", With: "nothing"},
	} {
		if err := r.Apply(f, true); err == nil {
			t.Errorf("%+v was accepted", f)
		}
	}
}

// TestACoupleOfTypeJReadsOneAndAQuarterTimesTheRise compares with IEC 60584 (testdata/facts): E_J(100)−E_J(25) = 5.269−1.277 mV, and
// E_K gives that much between 25 °C and about 121 °C, so that a rise of 75 K reads as some 96 K.
func TestACoupleOfTypeJReadsOneAndAQuarterTimesTheRise(t *testing.T) {
	p := Probe{wire: 'J'}
	if got := (p.as(100, 25) - 25) / 75; math.Abs(got-1.285) > 0.02 {
		t.Errorf("reads %.3f times the rise; want about 1.285", got)
	}
	if got := p.as(25, 25); math.Abs(got-25) > 0.01 {
		t.Errorf("reads %.2f °C at the cold junction; want 25: at rest nothing shows", got)
	}
}

func TestExchangedHeaterWiresHeatTheOtherZone(t *testing.T) {
	r := machine(t)
	if err := r.Apply(fault.Fault{Kind: "relay_swapped", Target: "top", With: "bottom"}, true); err != nil {
		t.Fatal(err)
	}
	if r.wired[0] != 1 || r.wired[1] != 0 {
		t.Errorf("wired as %v", r.wired)
	}
	r.Advance(time.Second) // must not break anything
}
