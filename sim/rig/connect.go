package rig

import (
	"fmt"
	"time"

	"trivet/sim/chip"
)

// Converter is one analog converter on the bus with so many inputs in use.
type Converter struct {
	Addr   uint16
	Inputs int
}

// inputsPerConverter keeps an input's period at 0.2 s: a converter reads one input per tick.
const inputsPerConverter = 2

const (
	tick         = 100 * time.Millisecond
	firstAddress = 0x48
)

// connect builds an amplifier for each probe. Probes on the analog bus are spread over as many converters as needed.
func (r *Rig) connect(probes []Probe) error {
	r.Bus = chip.NewI2CBus("i2c-sim")
	var adc *chip.Ads1115
	analog := 0
	for i := range probes {
		p := probes[i]
		p.Every, p.sigma, p.at = tick, jointSigma, p.Spot
		switch p.Chip {
		case "max31855":
			c := chip.NewMax31855(fmt.Sprintf("spi-sim.%d", i))
			p.front, p.port = c, c
		case "max31856":
			c := chip.NewMax31856(fmt.Sprintf("spi-sim.%d", i))
			p.front, p.port = c, c
		case "ad8495":
			if p.Addr != 0 {
				p.front, p.addr, p.input, p.sigma = r.converterAt(p.Addr).Input(p.Channel), p.Addr, p.Channel, nozzleSigma
				break
			}
			if analog%inputsPerConverter == 0 {
				adc = chip.NewAds1115()
				addr := uint16(firstAddress + analog/inputsPerConverter)
				if addr > 0x4B {
					return fmt.Errorf("rig: %d analog probes; four converters with %d inputs each are all there can be", analog+1, inputsPerConverter)
				}
				r.Bus.Add(addr, adc)
				r.converters, r.adcs = append(r.converters, Converter{Addr: addr}), append(r.adcs, adc)
			}
			k := analog % inputsPerConverter
			p.front, p.addr, p.input = adc.Input(k), uint16(firstAddress+analog/inputsPerConverter), k
			p.sigma = nozzleSigma
			r.converters[len(r.converters)-1].Inputs++
			analog++
		default:
			return fmt.Errorf("rig: probe %q is on a chip %q; there are max31855, max31856 and ad8495", p.Name, p.Chip)
		}
		probes[i] = p
	}
	for i := range probes {
		if p := &probes[i]; p.Chip == "ad8495" {
			for _, c := range r.converters {
				if c.Addr == p.addr {
					p.Every = tick * time.Duration(c.Inputs)
				}
			}
		}
	}
	r.Probes = probes
	return nil
}

// converterAt returns the converter at an address, and puts one there if there is none.
func (r *Rig) converterAt(addr uint16) *chip.Ads1115 {
	for i := range r.converters {
		if r.converters[i].Addr == addr {
			r.converters[i].Inputs++
			return r.adcs[i]
		}
	}
	adc := chip.NewAds1115()
	r.Bus.Add(addr, adc)
	r.converters, r.adcs = append(r.converters, Converter{Addr: addr, Inputs: 1}), append(r.adcs, adc)
	return adc
}

// Converters lists the analog converters on the bus.
func (r *Rig) Converters() []Converter { return append([]Converter(nil), r.converters...) }

// Port returns the SPI port of the probe's amplifier; nil for one on the analog bus.
func (p *Probe) Port() any { return p.port }

// Input returns which converter, and which of its inputs, the probe's amplifier is at.
func (p *Probe) Input() (addr uint16, input int) { return p.addr, p.input }
