package open_test

import (
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"trivet/hal/emf"
	"trivet/hal/loadcurrent"
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

func TestLoadSensesShareAConverterAndAmplifiersDoNot(t *testing.T) {
	b, ads := bus(t)
	ads.BusTime = 110 * time.Microsecond
	second := chip.NewAds1115()
	if err := b.Add(0x49, second); err != nil {
		t.Fatal(err)
	}
	c := open.New(tick)
	o := loadcurrent.Opts{VoltsPerAmp: 0.5, OnAmps: 2, OffAmps: 1}
	var senses []*loadcurrent.Input
	for i := range 3 {
		in, err := c.LoadSense(open.Spec{Chip: "ads1115", I2C: b, Input: i, SpanVolts: 4.096}, o)
		if err != nil {
			t.Fatal(err)
		}
		senses = append(senses, in)
	}
	if _, err := c.Thermometer(open.Spec{Chip: "ad8495", I2C: b, Addr: 0x49}); err != nil {
		t.Fatal(err)
	}
	if n := len(c.Pollers()); n != 2 {
		t.Errorf("%d pollers", n)
	}
	ads.SetVolts(1, 1.5)
	c.Pollers()[0].Poll(0)
	for i, in := range senses {
		if in.Read() != (i == 1) || in.LastError() != nil {
			t.Errorf("input %d: %v, %v", i, in.Read(), in.LastError())
		}
	}
	_, sameOne := c.Thermometer(open.Spec{Chip: "ad8495", I2C: b, Input: 3})
	_, otherOne := c.LoadSense(open.Spec{Chip: "ads1115", I2C: b, Addr: 0x49, Input: 1, SpanVolts: 4}, o)
	_, twice := c.LoadSense(open.Spec{Chip: "ads1115", I2C: b, Input: 1, SpanVolts: 4}, o)
	_, noBus := c.LoadSense(open.Spec{Chip: "ads1115"}, o)
	_, where := open.New(tick).LoadSense(open.Spec{Chip: "ads1115", I2C: b, Addr: 0x20}, o)
	for words, err := range map[string]error{
		"amplifiers need another one": sameOne, "load currents need another one": otherOne, "given twice": twice, "I²C bus": noBus, "0x48 to 0x4b": where,
	} {
		if err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}

func TestAScreenThatIsNotThereIsNoErrorAndOneThatCannotBeIs(t *testing.T) {
	b, _ := bus(t)
	c := open.New(tick)
	if d, err := c.Display(open.Spec{Chip: "ssd1306", I2C: b}); err != nil || d == nil || len(c.Pollers()) != 0 {
		t.Errorf("%v, %v, %d pollers", d, err, len(c.Pollers()))
	}
	for words, s := range map[string]open.Spec{"I²C bus": {Chip: "ssd1306"}, "0x3c and 0x3d": {Chip: "ssd1306", I2C: b, Addr: 0x20}, "64 and 32": {Chip: "ssd1306", I2C: b, Height: 100}, "allowed are ssd1306": {Chip: "oled", I2C: b}} {
		if d, err := c.Display(s); d != nil || err == nil || !strings.Contains(err.Error(), words) {
			t.Errorf("%s: %v", words, err)
		}
	}
}

func TestTheTableOfChipsIsInOrderAndSaysSomethingOfEach(t *testing.T) {
	before := ""
	for _, c := range open.Names() {
		if c.Name <= before || len(c.Kinds) == 0 || c.Note == "" || c.Bus != open.SPI && c.Bus != open.I2C {
			t.Errorf("%+v after %q", c, before)
		}
		before = c.Name
	}
}
