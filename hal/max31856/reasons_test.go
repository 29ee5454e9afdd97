package max31856_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"trivet/hal/max31856"
	"trivet/process/unit"
	"trivet/sim/chip"
)

func TestEveryReasonIsExplainedWithTheNumberBehindIt(t *testing.T) {
	for raw, words := range map[[6]byte]string{
		{0x19, 0, 0x0D, 0x90, 0, 0}:    "",
		{0x19, 0, 0x0D, 0x90, 0, 0x01}: "not connected",
		{0x19, 0, 0x0D, 0x90, 0, 0x02}: "over- or undervoltage beside a result of 217.0 °C",
		{0x19, 0, 0x0D, 0x90, 0, 0x48}: "above the high threshold, out of range beside",
		{0x46, 0, 0x0D, 0x90, 0, 0}:    "cold junction at 70.0 °C; 0.0 °C to 60.0 °C is plausible",
		{0x19, 0, 0x4B, 0x00, 0, 0}:    "none beside a result of 1200.0 °C", // no heater is that hot
		{}:                             "all bits of the answer are equal",
		{255, 255, 255, 255, 255, 255}: "all bits of the answer are equal",
	} {
		m := newMemory()
		d, err := max31856.New(m, &max31856.DefaultOpts)
		if err != nil {
			t.Fatal(err)
		}
		copy(m.reg[10:], raw[:])
		d.Read(0)
		d.Read(time.Second)
		if err := d.LastError(); words == "" && err != nil || words != "" && (err == nil || !strings.Contains(err.Error(), words) || !strings.Contains(err.Error(), d.String())) {
			t.Errorf("% x: %v, want %q", raw, err, words)
		}
	}
}

func TestABusThatFailsInAnyTransactionOfTheConfigurationIsReported(t *testing.T) {
	for fails := range 3 { // write all, start, read back
		m := newMemory()
		answer, n := m.Answer, 0
		m.Answer = func(w, r []byte) error {
			if n++; n-1 == fails {
				return errBus
			}
			return answer(w, r)
		}
		if d, err := max31856.New(m, &max31856.DefaultOpts); d != nil || !errors.Is(err, errBus) {
			t.Errorf("transaction %d failed: %v", fails, err)
		}
	}
	c := chip.NewMax31856("spi-sim")
	if _, err := max31856.New(c, &max31856.DefaultOpts); err != nil {
		t.Fatal(err)
	}
	if _, err := max31856.New(c, &max31856.DefaultOpts); err == nil || errors.Unwrap(err) == nil {
		t.Errorf("two drivers on one chip: %v", err)
	}
}

func TestAChipThatCannotBeHaltedSaysSoAndIsNotBelieved(t *testing.T) {
	m := newMemory()
	d, err := max31856.New(m, &max31856.DefaultOpts)
	if err != nil {
		t.Fatal(err)
	}
	m.Answer = func(_, _ []byte) error { return errBus }
	if err := d.Halt(); !errors.Is(err, errBus) || !strings.Contains(err.Error(), d.String()) {
		t.Errorf("halted on a dead bus: %v", err)
	}
	if r := d.Read(time.Second); r.Quality != unit.NoAnswer {
		t.Errorf("and reads %v", r.Quality)
	}
}

func TestTheSmallestStepIsAHundredAndTwentyEighthOfADegree(t *testing.T) {
	d, _ := wired(t, max31856.DefaultOpts)
	var env physic.Env
	d.Precision(&env)
	if env != (physic.Env{Temperature: physic.Celsius / 128}) {
		t.Errorf("precision is %v", env)
	}
	if d.String() != "MAX31856{spi-sim}" || max31856.Status(0).String() != "none" || max31856.Status(0x81).String() != "open, cold junction out of range" {
		t.Errorf("called %v; statuses %v, %v", d, max31856.Status(0), max31856.Status(0x81))
	}
}
