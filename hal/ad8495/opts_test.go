package ad8495_test

import (
	"testing"

	"trivet/hal/ad8495"
	"trivet/hal/haltest"
)

// What is left at zero is the default, so that a machine file need not repeat it: the same frames are the same readings.
func TestOptionsThatAreLeftOutAreTheDefaults(t *testing.T) {
	bus := &haltest.I2CPlayer{Answer: func(uint16, []byte, []byte) error { return nil }}
	full := ad8495.DefaultOpts
	bare := full
	bare.RailVolts, bare.FrozenAfter = 0, 0
	if _, err := ad8495.New(bus, &bare); err != nil {
		t.Fatal(err)
	}
	if bare.RailVolts != 0 || bare.FrozenAfter != 0 {
		t.Error("the options of the caller were changed")
	}
	// A reference as high as the default rail must be refused, as it would be with the rail written out.
	for _, o := range []ad8495.Opts{full, bare} {
		o.Channels = []ad8495.ChannelOpts{{RefVolts: full.RailVolts}}
		if _, err := ad8495.New(bus, &o); err == nil {
			t.Errorf("rail of %g V: a reference at the rail was accepted", o.RailVolts)
		}
	}
}
