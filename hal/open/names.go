package open

import (
	"fmt"
	"slices"
	"strings"
)

// Kind is what a chip is used as. The words are those of the machine file.
type Kind string

// The kinds. A chip may be of several.
const (
	Thermometers Kind = "thermometer" // see Chips.Thermometer
	Expanders    Kind = "expander"    // adds lines, see Chips.Expander
	LoadSenses   Kind = "load sense"  // see Chips.LoadSense
	Displays     Kind = "display"     // see Chips.Display
)

// Bus is what a chip is connected by.
type Bus string

// The buses.
const (
	SPI Bus = "spi"
	I2C Bus = "i2c"
)

// Chip is a row of the table of chips.
type Chip struct {
	Name  string
	Kinds []Kind
	Bus   Bus
	Note  string // what somebody who chooses a chip should know, for trivet check and the wiring guide
}

// Names returns the table of chips, in the order of the alphabet.
func Names() []Chip {
	return []Chip{
		{"74hc595", []Kind{Expanders}, SPI, "8 or 16 outputs, no inputs; wakes with anything in it, so it needs an output-enable line that is high from its first moment on; finds out that it was reset only with its serial output wired back"},
		{"ad8495", []Kind{Thermometers}, I2C, "an amplifier for type K on an input of an ADS1115; four share one converter and take turns, so each is read every fourth tick at worst"},
		{"ads1115", []Kind{LoadSenses}, I2C, "four levels of sensed load currents, all fetched in each tick, which keeps a bus at 400 kHz for 6 ms and one at 100 kHz for 9; amplifiers need a converter of their own"},
		{"max31855", []Kind{Thermometers}, SPI, "steps of 0.25 °C, tells of an open couple with each conversion; the type is part of the chip"},
		{"max31856", []Kind{Thermometers}, SPI, "steps of 0.0078 °C, looks for an open couple once in 16 conversions, about 1.6 s"},
		{"max31865", []Kind{Thermometers}, SPI, "Pt100 and Pt1000; looks for broken wires once a second; the reference resistor on the board must be told if it is not 4.3 times the element's"},
		{"max6675", []Kind{Thermometers}, SPI, "type K, steps of 0.25 °C from 0 °C, one value in 0.3 s, no cold junction told, a shorted couple cannot be told: not for the joint"},
		{"mcp23017", []Kind{Expanders}, I2C, "16 lines, each an output or an input; wakes with all lines floating, so pull every output to off on the board"},
		{"pca9685", []Kind{Expanders}, I2C, "16 outputs, active high, no inputs; they can switch by themselves at one frequency of 24 to 1526 Hz, for fans"},
		{"pcf8574", []Kind{Expanders}, I2C, "8 lines; outputs and contacts must be active low, because it wakes with all lines high; does not find out that it was reset while all its outputs were off"},
		{"ssd1306", []Kind{Displays}, I2C, "128×64 or 128×32 pixels, eight or four lines of 21 characters"},
	}
}

// check says whether the chip is known, is of the kind, and has the bus it needs.
func (s Spec) check(k Kind) error {
	var of []string
	for _, c := range Names() {
		if !slices.Contains(c.Kinds, k) {
			continue
		}
		of = append(of, c.Name)
		switch {
		case c.Name != s.Chip:
			continue
		case c.Bus == SPI && s.SPI == nil:
			return fmt.Errorf("it needs an SPI port")
		case c.Bus == I2C && s.I2C == nil:
			return fmt.Errorf("it needs an I²C bus")
		}
		return nil
	}
	return fmt.Errorf("not known as %s; allowed are %s", k, strings.Join(of, ", "))
}
