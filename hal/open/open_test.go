package open_test

import (
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"trivet/hal/emf"
	"trivet/hal/open"
	"trivet/sim/chip"
)

const tick = 100 * time.Millisecond

func bus(t *testing.T) (*chip.I2CBus, *chip.Ads1115) {
	t.Helper()
	b, a := chip.NewI2CBus("i2c-sim"), chip.NewAds1115()
	if err := b.Add(0x48, a); err != nil {
		t.Fatal(err)
	}
	return b, a
}

func TestAChipIsOpenedByItsNameAndReads(t *testing.T) {
	b, ads := bus(t)
	p55, p56 := chip.NewMax31855("spi0.0").Suffix(emf.Type('J')), chip.NewMax31856("spi0.1").Couple(emf.Type('N'))
	c := open.New(tick)
	var all []open.Thermometer
	for _, s := range []open.Spec{
		{Chip: "max31855", SPI: p55, Type: "J"}, {Chip: "max31856", SPI: p56, Type: "N", MainsHz: 60, OpenTest: 2},
		{Chip: "ad8495", I2C: b, Input: 1}, {Chip: "ad8495", I2C: b, Input: 2, Type: "K"},
	} {
		th, err := c.Thermometer(s)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, th)
	}
	if n := len(c.Pollers()); n != 1 {
		t.Errorf("%d pollers; two amplifiers on one converter need one", n)
	}
	for now := time.Duration(0); now < 3*time.Second; now += tick {
		warm := 0.05 * float64(now/tick%3) // a world that stands still is what a frozen chip shows
		p55.Advance(now, 100+warm, 25)
		p56.Advance(now, 110+warm, 25)
		ads.Input(1).Advance(now, 120, 25)
		ads.Input(2).Advance(now, 130, 25)
		for _, p := range c.Pollers() {
			p.Poll(now)
		}
		for i, th := range all {
			r := th.Read(now)
			want := 100 + 10*float64(i)
			if got, ok := r.Temp(); now > time.Second && (!ok || float64(got) < want-0.4 || float64(got) > want+0.4) {
				t.Fatalf("%v at %v: %v, %v; want %v", th, now, got, th.LastError(), want)
			}
		}
	}
}

func TestASpecThatCannotBeIsRefusedWithWhatIsAllowed(t *testing.T) {
	b, _ := bus(t)
	for name, c := range map[string]struct {
		spec  open.Spec
		words string
	}{
		"unknown chip": {open.Spec{Chip: "max99999"}, "max31856"},
		"no port":      {open.Spec{Chip: "max31855"}, "SPI"},
		"no bus":       {open.Spec{Chip: "ad8495"}, "I²C"},
		"type":         {open.Spec{Chip: "max31855", SPI: chip.NewMax31855("x"), Type: "Q"}, "K, J"},
		"long type":    {open.Spec{Chip: "max31856", SPI: chip.NewMax31856("x"), Type: "KK"}, "K, J"},
		"only K":       {open.Spec{Chip: "ad8495", I2C: b, Type: "J"}, "K only"},
		"input":        {open.Spec{Chip: "ad8495", I2C: b, Input: 4}, "0 to 3"},
		"pt":           {open.Spec{Chip: "max31865", SPI: chip.NewMax31865("x"), Type: "Pt500"}, "Pt100 and Pt1000"},
		"wires":        {open.Spec{Chip: "max31865", SPI: chip.NewMax31865("x"), Wires: 1}, "2, 3 and 4"},
		"still K":      {open.Spec{Chip: "max6675", SPI: chip.NewMax6675("x"), Type: "N"}, "K only"},
		"address":      {open.Spec{Chip: "ad8495", I2C: b, Addr: 0x20}, "0x48 to 0x4b"},
		"mains":        {open.Spec{Chip: "max31856", SPI: chip.NewMax31856("x"), MainsHz: 400}, "50 and 60"},
	} {
		th, err := open.New(tick).Thermometer(c.spec)
		if err == nil || th != nil || !strings.Contains(err.Error(), c.words) || !strings.HasPrefix(err.Error(), "chip ") {
			t.Errorf("%s: %v, %v", name, th, err)
		}
	}
}

var _ i2c.Bus = (*chip.I2CBus)(nil)

func TestAnExpanderThatCannotBeIsRefusedWithWhatIsAllowed(t *testing.T) {
	for words, s := range map[string]open.Spec{
		"74hc595, mcp23017": {Chip: "max31855"}, "I²C bus": {Chip: "pca9685"}, "SPI port": {Chip: "74hc595"}, "0x20 to 0x27": {Chip: "mcp23017", I2C: chip.NewI2CBus("x"), Addr: 0x60},
		"output-enable": {Chip: "74hc595", SPI: chip.NewHC595("x", 1)},
	} {
		if b, err := open.New(tick).Expander(s); b != nil || err == nil || !strings.Contains(err.Error(), words) || !strings.HasPrefix(err.Error(), "chip ") {
			t.Errorf("%s: %v", words, err)
		}
	}
}

func TestALostChipIsBroughtBackByConfigureAndNotBefore(t *testing.T) {
	b, p := chip.NewI2CBus("i2c-sim"), chip.NewMax31856("spi0.0")
	x := chip.NewMcp23017("more")
	if err := b.Add(0x20, x); err != nil {
		t.Fatal(err)
	}
	c := open.New(tick)
	bank, err := c.Expander(open.Spec{Chip: "mcp23017", I2C: b})
	if err != nil {
		t.Fatal(err)
	}
	th, err := c.Thermometer(open.Spec{Chip: "max31856", SPI: p})
	if err != nil {
		t.Fatal(err)
	}
	pin, err := bank.Out(3, false)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Duration(0)
	run := func(d time.Duration) (sound bool) {
		for end := now + d; now < end; now += tick {
			p.Advance(now, 100+0.05*float64(now/tick%3), 25)
			for _, p := range c.Pollers() {
				p.Poll(now)
			}
			sound = th.Read(now).Usable() && bank.Err() == nil
		}
		return sound
	}
	if !run(time.Second) || c.Configure() != nil || !run(tick) {
		t.Fatal("it does not work, or Configure has disturbed what works")
	}
	x.Inject(chip.ResetChip)
	p.Inject(chip.ResetChip)
	x.Inject(chip.None)
	p.Inject(chip.None)
	if run(3*time.Second) || pin.Out(true) == nil || bank.Err() == nil {
		t.Error("both have lost themselves and go on")
	}
	if err := c.Configure(); err != nil {
		t.Fatal(err)
	}
	if !run(time.Second) || pin.Out(true) != nil || !bool(x.Line(3).Level()) {
		t.Errorf("after Configure: %v, %v", th.LastError(), bank.Err())
	}
}
