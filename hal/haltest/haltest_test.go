package haltest_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3"
	"periph.io/x/conn/v3/physic"

	"trivet/hal/haltest"
	"trivet/process/unit"
	"trivet/sim/chip"
)

// plain is a thermometer without a chip: it knows the world. What is wrong with it is in flaw.
type plain struct {
	flaw  string
	fault chip.Fault
	now   time.Duration
	hot   float64
	began time.Duration
	good  int // numbers given so far
	waste []byte
}

func (p *plain) Advance(now time.Duration, hot, _ float64) { p.now, p.hot = now, hot }

func (p *plain) Inject(f chip.Fault) { p.fault, p.began = f, p.now }

func (p *plain) Read(now time.Duration) unit.Reading {
	temp, ready := unit.Celsius(p.hot), now >= 100*time.Millisecond
	switch p.flaw {
	case "ready at once":
		ready = true
	case "a degree too high":
		temp++
	case "an old moment":
		now -= time.Minute
	case "frozen when steady":
		if p.good++; p.good > 500 {
			return unit.Unusable(now, unit.Frozen)
		}
	case "garbage":
		p.waste = append([]byte(nil), make([]byte, 100)...)
	case "believes a broken couple":
		return p.measured(now, temp, ready)
	case "does not recover":
		if p.fault != chip.None {
			p.good = -1
		}
		if p.good < 0 {
			return unit.Unusable(now, unit.Open)
		}
	case "wrong reason":
		if p.fault != chip.None {
			return unit.Unusable(now, unit.Frozen)
		}
	}
	if p.fault != chip.None {
		return unit.Unusable(now, unit.Open)
	}
	return p.measured(now, temp, ready)
}

func (p *plain) measured(now time.Duration, temp unit.Celsius, ready bool) unit.Reading {
	if !ready {
		return unit.Unusable(now, unit.NotRead)
	}
	return unit.Measured(now, temp)
}

func spec(flaw string) haltest.Spec {
	return haltest.Spec{
		New: func(testing.TB) haltest.Bench {
			p := &plain{flaw: flaw}
			return haltest.Bench{Sensor: p, World: p}
		},
		Error: 0.1, Settle: 200 * time.Millisecond, Faults: []haltest.Expect{{Fault: chip.Open, Quality: unit.Open}},
	}
}

func TestAThermometerThatDoesAllThatIsPromisedPasses(t *testing.T) {
	haltest.RunThermometer(t, spec(""))
}

const flawInChild = "TRIVET_TEST_FLAW"

// TestChild is the other half of the next test: it runs in a process of its own, and there it has to fail.
func TestChild(t *testing.T) {
	flaw := os.Getenv(flawInChild)
	if flaw == "" {
		t.Skip("only in a process of its own")
	}
	haltest.RunThermometer(t, spec(flaw))
}

func TestEveryFlawOfAThermometerIsFound(t *testing.T) {
	for flaw, promise := range map[string]string{
		"ready at once":            "before_the_first_conversion",
		"a degree too high":        "it_reads_what_the_world_is",
		"an old moment":            "it_reads_what_the_world_is",
		"frozen when steady":       "a_steady_world",
		"believes a broken couple": "fault_open",
		"does not recover":         "fault_open",
		"wrong reason":             "fault_open",
		"garbage":                  "a_reading_makes_no_garbage",
	} {
		cmd := exec.Command(os.Args[0], "-test.run", "^TestChild$")
		cmd.Env = append(os.Environ(), flawInChild+"="+flaw)
		out, err := cmd.CombinedOutput()
		if err == nil || !strings.Contains(string(out), "FAIL: TestChild/"+promise) {
			t.Errorf("%s passed, or was found elsewhere: %v\n%s", flaw, err, out)
		}
	}
}

func TestASweepVisitsEveryPartOnce(t *testing.T) {
	var seen [1000]bool // each part has a place of its own, so that the goroutines need no lock
	haltest.Sweep(t, "parts", len(seen), func(part int) string {
		if seen[part] {
			return "visited twice"
		}
		seen[part] = true
		return ""
	})
	for i, s := range seen {
		if !s {
			t.Fatalf("part %d was left out", i)
		}
	}
}

func TestAPlayerWithoutAnAnswerAnswersZeros(t *testing.T) {
	p, bus := &haltest.Player{}, &haltest.I2CPlayer{}
	r := []byte{1, 2}
	if err := p.Tx(nil, r); err != nil || r[0] != 0 || r[1] != 0 || p.Duplex() != conn.Full || p.TxPackets(nil) == nil {
		t.Errorf("%v, % x", err, r)
	}
	r = []byte{1, 2}
	if err := bus.Tx(0x48, nil, r); err != nil || r[0] != 0 || r[1] != 0 || bus.SetSpeed(physic.Hertz) != nil {
		t.Errorf("%v, % x", err, r)
	}
}
