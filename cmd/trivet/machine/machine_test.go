package machine_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"trivet/cmd/trivet/machine"
	"trivet/safety"
)

const examples = "../../../deploy/machines"

func example(t *testing.T, name string) (*machine.File, []byte) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(examples, name))
	if err != nil {
		t.Fatal(err)
	}
	f, err := machine.Parse(name, data)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return f, data
}

func TestEveryExampleIsAMachineThatAStationTakes(t *testing.T) {
	files, err := filepath.Glob(examples + "/*.toml")
	if err != nil || len(files) < 3 {
		t.Fatalf("%v, %d examples", err, len(files))
	}
	for _, path := range files {
		f, data := example(t, filepath.Base(path))
		if !machine.Wired(data) || len(f.Digest) != 64 {
			t.Errorf("%s: has no wiring, or digest %q", path, f.Digest)
		}
		zones := f.Bare()
		u := f.Setup(zones)
		if _, err := safety.NewGuard(u.Limits); err != nil {
			t.Errorf("%s: the guard does not take it: %v", path, err)
		}
		if u.Simulated || len(u.Sensors) != len(f.Wiring.Sensors) || len(u.Heaters) != len(f.Wiring.Heaters) {
			t.Errorf("%s: %+v", path, u)
		}
	}
}

func TestWhatIsNotFittedIsSaid(t *testing.T) {
	f, _ := example(t, "air-and-plate.toml")
	all := strings.Join(f.Uncovered(), "\n")
	for _, want := range []string{"mirror", "no load sense", "85 %", "no proof of air", "limiter", "extraction", "package top", "not calibrated"} {
		if !strings.Contains(all, want) {
			t.Errorf("nothing is said of %q:\n%s", want, all)
		}
	}
	for i, z := range f.Bare() {
		if z.Most() != 0.85 {
			t.Errorf("zone %d without load sense may have %v", i, z.Most())
		}
	}
	f, _ = example(t, "full-retrofit.toml")
	if z := f.Bare(); z[0].Most() != 1 {
		t.Errorf("a sensed heater may have only %v", z[0].Most())
	}
}

// Each slip gets one line that says where, what and what is allowed.
func TestEachMistakeInTheWiringIsNamedWithItsLine(t *testing.T) {
	_, good := example(t, "full-retrofit.toml")
	for name, c := range map[string]struct{ old, new, want string }{
		"line used twice":           {`"pinctrl-bcm2711/GPIO24"`, `"pinctrl-bcm2711/GPIO22"`, `uses already`},
		"line without chip":         {`"pinctrl-bcm2711/GPIO22"`, `"GPIO22"`, `"CHIP/LINE"`},
		"unknown chip":              {`"max31856"`, `"max31857"`, `max31856`},
		"address out of range":      {`0x48`, `0x80`, `0x08…0x77`},
		"input out of range":        {`input = 3`, `input = 4`, `0…3`},
		"couple of another chip":    {"chip = \"max31855\"\nbus = \"SPI0.0\"\ntype = \"K\"", "chip = \"max31855\"\nbus = \"SPI0.0\"\ntype = \"B\"", `K, J, N`},
		"no emergency stop":         {`kind = "emergency_stop"`, `kind = "door"`, `emergency_stop`},
		"heater without sensor":     {`sensor = "nozzle-top"`, `sensor = "nozzle"`, `thermocouple of its own`},
		"air heater, no blower":     {"sensor = \"nozzle-top\"\nblower = \"top\"", `sensor = "nozzle-top"`, `without air`},
		"set-point at ceiling":      {"sense = \"pinctrl-bcm2711/GPIO23\"         # current or voltage behind the relay\nhighest_c = 400", "sense = \"pinctrl-bcm2711/GPIO23\"\nhighest_c = 440", `100…430`},
		"joint only watched":        {"role = \"joint\"", "role = \"joint\"\nwatch_only = true", `watch_only`},
		"same sensor twice":         {`name = "board"`, `name = "package-top"`, `a name of its own`},
		"same chip select twice":    {`bus = "SPI1.0"`, `bus = "SPI0.1"`, `uses already`},
		"calibration in January":    {`"2026-10-14"`, `"14.10.2026"`, `YYYY-MM-DD`},
		"calibration hides a fault": {`is_c = 231.9`, `is_c = 250.0`, `mend the sensor`},
		"heater that is not there":  {"[[wiring.heater]]\nname = \"ends\"", "[[wiring.heater]]\nname = \"end\"", `top, bottom, left, right, ends`},
		"mains of 55 Hz":            {`mains_hz = 50`, `mains_hz = 55`, `50 or 60`},
		"unknown key":               {`mirror = `, `miror = `, `mirror`},
		"heartbeat on expander":     {"heartbeat = \"pinctrl-bcm2711/GPIO6\"", "heartbeat = \"more/3\"\nexpander = [{ name = \"more\", chip = \"mcp23017\", bus = \"I2C1\", address = 0x20 }]", "computer's own"},
	} {
		text := strings.Replace(string(good), c.old, c.new, 1)
		if text == string(good) {
			t.Errorf("%s: %q is not in the example", name, c.old)
			continue
		}
		_, err := machine.Parse("mine.toml", []byte(text))
		if err == nil {
			t.Errorf("%s: accepted", name)
			continue
		}
		if !regexp.MustCompile(`mine\.toml:\d+: `).MatchString(err.Error()) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func ExampleFile_Uncovered() {
	data, _ := os.ReadFile(filepath.Join(examples, "air-and-plate.toml"))
	f, err := machine.Parse("air-and-plate.toml", data)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(f.Uncovered()[0])
	// Output: no mirror contact: a welded contactor is not found before a run
}
