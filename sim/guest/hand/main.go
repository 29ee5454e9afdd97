// Command hand connects the machine of a file through the guest's device nodes, with the real drivers and none of the program
// around them, reads every sensor for a while and prints what came. Nothing is switched on.
package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/conn/v3/spi/spireg"
	"periph.io/x/host/v3"

	"trivet/cmd/trivet/machine"
	"trivet/hal/gpiochip"
	"trivet/process/unit"
	"trivet/station"
)

func main() {
	if len(os.Args) != 3 {
		fmt.Println("usage: hand MACHINE-FILE DURATION")
		os.Exit(2)
	}
	if err := run(os.Args[1], os.Args[2]); err != nil {
		fmt.Println("hand:", err)
		os.Exit(1)
	}
}

func run(path, length string) error {
	long, err := time.ParseDuration(length)
	if err != nil {
		return err
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	f, err := machine.Parse(path, data)
	if err != nil {
		return err
	}
	state, err := host.Init()
	if err != nil {
		return err
	}
	var failed []string
	for _, d := range state.Failed { // a nil error from Init says little
		failed = append(failed, d.String())
	}
	fmt.Println("hand: periph's drivers that failed:", failed)
	c, err := f.Connect(buses{}, nil)
	if err != nil {
		return errors.Join(err, c.Close())
	}
	return errors.Join(look(f, c, long), c.Close())
}

// look reads everything ten times a second.
func look(f *machine.File, c *machine.Connected, long time.Duration) error {
	begun := time.Now()
	var busy time.Duration
	n := 0
	last := make([]unit.Reading, len(c.Hardware.Sensors))
	for now := time.Duration(0); now < long; now = time.Since(begun) {
		t := time.Now()
		for _, p := range c.Hardware.Pollers {
			p.Poll(now)
		}
		for i, s := range c.Hardware.Sensors {
			last[i] = s.Read(now)
		}
		busy += time.Since(t)
		n++
		time.Sleep(100 * time.Millisecond)
	}
	for i, r := range last {
		text := "no reading: " + r.Quality.String()
		if v, ok := r.Temp(); ok {
			text = fmt.Sprintf("%.2f °C", float64(v))
		}
		fmt.Printf("hand: sensor %s %s\n", f.Wiring.Sensors[i].Name, text)
	}
	closed := 0
	for _, i := range c.Hardware.Interlocks {
		if i.Read() {
			closed++
		}
	}
	fmt.Printf("hand: interlocks closed %d of %d\n", closed, len(c.Hardware.Interlocks))
	fmt.Printf("hand: a look at everything takes %.1f ms\n", busy.Seconds()*1e3/float64(n))
	return nil
}

// buses are this computer's.
type buses struct{}

func (buses) SPI(name string) (spi.PortCloser, error) { return spireg.Open(name) }

func (buses) I2C(name string) (i2c.BusCloser, error) {
	return i2creg.Open(strings.TrimPrefix(name, "I2C"))
}

func (buses) Out(name string, high bool) (gpio.PinOut, error) {
	n, err := gpiochip.ParseName(name)
	if err != nil {
		return nil, err
	}
	return gpiochip.OpenOut(n, gpiochip.OutOptions{Initial: high})
}

func (buses) In(name string) (station.Contact, error) {
	n, err := gpiochip.ParseName(name)
	if err != nil {
		return nil, err
	}
	return gpiochip.OpenIn(n, gpiochip.InOptions{Bias: gpiochip.PullDown})
}
