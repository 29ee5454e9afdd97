package machine

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"trivet/hal/open"
	"trivet/process/strict"
	"trivet/safety"
)

// checker collects what is wrong with the wiring, each with its line.
type checker struct {
	file  string
	lines strict.Lines
	found strict.Problems

	f     *File
	used  map[string]string // a line, or an input of a chip, and what it is used for
	names map[string]bool   // of sensors and heaters, interlocks and blowers
}

func (c *checker) bad(key, what, allowed string, args ...any) {
	c.found = append(c.found, strict.Problem{File: c.file, Line: c.lines.At(key), Key: key, What: what, Allowed: fmt.Sprintf(allowed, args...)})
}

// in checks a number, so that NaN fails.
func (c *checker) in(key string, v, lo, hi float64) {
	if !(v >= lo && v <= hi) {
		c.bad(key, fmt.Sprintf("is %g", v), "%g…%g", lo, hi)
	}
}

// one checks a word.
func (c *checker) one(key, v string, of []string) bool {
	if slices.Contains(of, v) {
		return true
	}
	what := fmt.Sprintf("is %q", v)
	if v == "" {
		what = "is missing"
	}
	c.bad(key, what, "%s", strings.Join(of, ", "))
	return false
}

func (c *checker) wiring(f *File) {
	c.f, c.used, c.names = f, map[string]string{}, map[string]bool{}
	w := &f.Wiring
	if w.MainsHz != 50 && w.MainsHz != 60 {
		c.bad("wiring.mains_hz", fmt.Sprintf("is %d", w.MainsHz), "50 or 60")
	}
	c.in("wiring.room_c", w.Room(), 5, 40)
	c.in("wiring.unsensed_share", w.highestDuty(), 0.1, 1)
	for i := range w.Expanders {
		c.expander(i, &w.Expanders[i])
	}
	c.own("wiring.heat_enable", w.HeatEnable)
	c.own("wiring.heartbeat", w.Heartbeat)
	c.optional("wiring.mirror", w.Mirror)
	for i := range w.Sensors {
		c.sensor(fmt.Sprintf("wiring.sensor[%d]", i), &w.Sensors[i])
	}
	for i := range w.Blowers {
		b, key := &w.Blowers[i], fmt.Sprintf("wiring.blower[%d]", i)
		c.name(key, "blower", b.Name)
		c.line(key+".output", b.Output)
		c.optional(key+".proof", b.Proof)
	}
	c.heaters()
	c.interlocks()
	if w.Fan != nil {
		c.line("wiring.fan.output", w.Fan.Output)
		if w.Fan.PWMHz != 0 {
			c.in("wiring.fan.pwm_hz", w.Fan.PWMHz, 24, 25000)
		}
	}
	if d := w.Display; d != nil {
		c.one("wiring.display.chip", d.Chip, named(open.Displays))
	}
	for _, t := range []struct {
		what   string
		n, max int
	}{{"sensor", len(w.Sensors), safety.MaxSensors}, {"heater", len(w.Heaters), safety.MaxHeaters}, {"blower", len(w.Blowers), safety.MaxBlowers}, {"interlock", len(w.Interlocks), safety.MaxInterlocks}} {
		if t.n > t.max {
			c.bad("wiring."+t.what, fmt.Sprintf("has %d entries", t.n), "at most %d", t.max)
		}
	}
}

func (c *checker) expander(i int, e *Expander) {
	key := fmt.Sprintf("wiring.expander[%d]", i)
	c.name(key, "expander", e.Name)
	if strings.Contains(e.Name, "/") {
		c.bad(key+".name", fmt.Sprintf("is %q", e.Name), "a name without a slash")
	}
	if c.one(key+".chip", e.Chip, named(open.Expanders)) {
		c.bus(key, e.Bus, e.Address, e.Chip != shiftRegister)
		if e.Chip == shiftRegister {
			c.own(key+".enable", e.Enable)
		}
	}
}

// name checks that a thing has a name and no other of its kind has it.
func (c *checker) name(key, kind, v string) {
	switch {
	case v == "":
		c.bad(key+".name", "is missing", "a short name")
	case c.names[kind+" "+v]:
		c.bad(key+".name", fmt.Sprintf("is %q, like that of another %s", v, kind), "a name of its own")
	}
	c.names[kind+" "+v] = true
}

// own checks one of the two lines of the safety goroutine. Behind an expander they would depend on a bus (decision of the project's owner).
func (c *checker) own(key, line string) {
	c.line(key, line)
	if chip, _ := place(line); c.isExpander(chip) {
		c.bad(key, fmt.Sprintf("is on the expander %q", chip), "a line of the computer's own, because a bus that hangs must not hold the heat on")
	}
}

func (c *checker) isExpander(name string) bool {
	return slices.ContainsFunc(c.f.Wiring.Expanders, func(e Expander) bool { return e.Name == name })
}

// line checks a line that must be there and may be used once.
func (c *checker) line(key, line string) {
	if chip, pin := place(line); chip == "" || pin == "" {
		what := fmt.Sprintf("is %q", line)
		if line == "" {
			what = "is missing"
		}
		c.bad(key, what, `"CHIP/LINE", as trivet probe lists them, or "EXPANDER/NUMBER"`)
		return
	}
	c.once(key, line)
}

func (c *checker) optional(key, line string) {
	if line != "" {
		c.line(key, line)
	}
}

func (c *checker) once(key, what string) {
	if other, taken := c.used[what]; taken {
		c.bad(key, fmt.Sprintf("is %q, which %s uses already", what, other), "a line or an input of its own")
	}
	c.used[what] = key
}

// bus checks where a chip is.
func (c *checker) bus(key, bus string, address int, i2c bool) {
	want := "SPI"
	if i2c {
		want = "I2C"
	}
	if !strings.HasPrefix(bus, want) && !strings.HasPrefix(bus, "/dev/") {
		c.bad(key+".bus", fmt.Sprintf("is %q", bus), `%s, such as "%s"`, map[bool]string{true: "an I²C bus", false: "an SPI port"}[i2c], map[bool]string{true: "I2C1", false: "SPI0.0"}[i2c])
	}
	if i2c && !(address >= 0x08 && address <= 0x77) {
		c.bad(key+".address", fmt.Sprintf("is %#02x", address), "0x08…0x77")
	}
}

func (c *checker) sensor(key string, s *Sensor) {
	c.name(key, "sensor", s.Name)
	c.one(key+".role", s.Role, words(roles))
	chip, known := chips[s.Chip]
	if !known {
		c.one(key+".chip", s.Chip, chipNames())
		return
	}
	c.bus(key, s.Bus, s.Address, chip.i2c)
	at := s.Bus
	if chip.i2c {
		at = fmt.Sprintf("%s at %#02x input %d", s.Bus, s.Address, s.Input)
	}
	c.once(key+".bus", at)
	if !(s.Input >= 0 && s.Input < chip.inputs) {
		c.bad(key+".input", fmt.Sprintf("is %d", s.Input), "0…%d for a %s", chip.inputs-1, s.Chip)
	}
	c.one(key+".type", s.Type, chip.types)
	if chip.resistance && !(s.Wires >= 2 && s.Wires <= 4) {
		c.bad(key+".wires", fmt.Sprintf("is %d", s.Wires), "2, 3 or 4")
	}
	if chip.resistance && s.RefOhms != 0 {
		c.in(key+".ref_ohms", s.RefOhms, 200, 10000)
	}
	most := highest[s.Role]
	c.in(key+".ceiling_c", s.CeilingC, 60, most)
	if s.WatchOnly && (s.Role == string(safety.RoleJoint) || s.Role == string(safety.RoleNozzle) || s.Role == string(safety.RoleArea)) {
		c.bad(key+".watch_only", "is true for a "+s.Role, "true only for package_top, board and neighbour: heat is steered by the others")
	}
	if s.Calibration != nil {
		c.calibration(key+".calibration", s.Calibration)
	}
}

// highest is the highest ceiling by role, °C: the trade's for joint, part and board, see sim/bench; 800 °C is short of what glows.
var highest = map[string]float64{"joint": 280, "package_top": 280, "board": 280, "neighbour": 280, "nozzle": 600, "area": 800}

func (c *checker) calibration(key string, k *Calibration) {
	if _, err := time.Parse(time.DateOnly, k.Date); err != nil {
		c.bad(key+".date", fmt.Sprintf("is %q", k.Date), "a date written YYYY-MM-DD")
	}
	if k.Reference == "" {
		c.bad(key+".reference", "is missing", "what the sensor was compared with, in words")
	}
	c.in(key+".uncertainty_c", k.UncertaintyC, 0, 10)
	if n := len(k.Points); n < 1 || n > 2 {
		c.bad(key+".points", fmt.Sprintf("has %d entries", n), "one point, which shifts, or two, which make a line")
		return
	}
	for i, p := range k.Points {
		c.in(fmt.Sprintf("%s.points[%d].reads_c", key, i), p.ReadsC, -50, 600)
		// More than that is a wrong type of couple, a bad joint or a slip of the pen, and not for a correction to hide.
		if d := p.ReadsC - p.IsC; !(math.Abs(d) <= 10) {
			c.bad(fmt.Sprintf("%s.points[%d].is_c", key, i), fmt.Sprintf("is %g, %.1f °C from what the sensor reads", p.IsC, math.Abs(d)), "at most 10 °C: beyond that mend the sensor")
		}
	}
	if len(k.Points) == 2 && !(math.Abs(k.Points[1].ReadsC-k.Points[0].ReadsC) >= 50) {
		c.bad(key+".points", "has two points less than 50 °C apart", "points far apart, such as ice and a melting point: a line through near ones goes wrong far away")
	}
}

// heaters checks that every heater with power is wired, and nothing else.
func (c *checker) heaters() {
	f, w := c.f, &c.f.Wiring
	names := f.HeaterNames()
	wired := map[string]bool{}
	for i := range w.Heaters {
		h, key := &w.Heaters[i], fmt.Sprintf("wiring.heater[%d]", i)
		c.name(key, "heater", h.Name)
		c.line(key+".output", h.Output)
		c.optional(key+".sense", h.Sense)
		c.current(key, h)
		wired[h.Name] = true
		at := slices.Index(names, h.Name)
		if at < 0 {
			c.bad(key+".name", fmt.Sprintf("is %q", h.Name), "%s", strings.Join(names, ", "))
			continue
		}
		if f.RatedW(at) == 0 {
			c.bad(key+".name", fmt.Sprintf("is %q, which has no power", h.Name), "a heater whose power is not 0")
		}
		own := slices.IndexFunc(w.Sensors, func(s Sensor) bool { return s.Name == h.Sensor })
		want := safety.RoleArea
		if at < 2 {
			want = safety.RoleNozzle
		}
		switch {
		case own < 0:
			c.bad(key+".sensor", fmt.Sprintf("is %q", h.Sensor), "the name of a [[wiring.sensor]]: no heater goes without a thermocouple of its own")
		case w.Sensors[own].Role != string(want):
			c.bad(key+".sensor", fmt.Sprintf("is %q, with role %s", h.Sensor, w.Sensors[own].Role), "a sensor with role %s", want)
		default:
			c.once(key+".sensor", "sensor "+h.Sensor)
			c.in(key+".highest_c", h.HighestC, 100, w.Sensors[own].CeilingC-20)
		}
		has := slices.ContainsFunc(w.Blowers, func(b Blower) bool { return b.Name == h.Blower })
		if at < 2 && !has {
			c.bad(key+".blower", fmt.Sprintf("is %q", h.Blower), "the name of a [[wiring.blower]]: an element without air is at 700 °C within half a minute")
		} else if at >= 2 && h.Blower != "" {
			c.bad(key+".blower", fmt.Sprintf("is %q", h.Blower), "none: an area heater has no air")
		}
	}
	for i, n := range names {
		if f.RatedW(i) > 0 && !wired[n] {
			c.bad("wiring.heater", fmt.Sprintf("has no entry for %q, which has %.0f W", n, f.RatedW(i)), "one [[wiring.heater]] per heater with power; give it 0 W if it is not there")
		}
	}
	if !slices.ContainsFunc(w.Sensors, func(s Sensor) bool { return s.Role == string(safety.RoleJoint) }) {
		c.bad("wiring.sensor", "has no joint", "at least one sensor with role joint: a first board is steered by it")
	}
}

// current checks a measured load sense.
func (c *checker) current(key string, h *Heater) {
	k := h.Current
	if k == nil {
		return
	}
	key += ".current"
	if h.Sense != "" {
		c.bad(key, "is beside sense", "one of the two")
	}
	c.bus(key, k.Bus, k.Address, true)
	c.once(key+".input", fmt.Sprintf("%s at %#02x input %d", k.Bus, k.Address, k.Input))
	if !(k.Input >= 0 && k.Input <= 3) {
		c.bad(key+".input", fmt.Sprintf("is %d", k.Input), "0…3")
	}
	c.in(key+".volts_per_amp", k.VoltsPerAmp, 0.001, 10)
	c.in(key+".zero_volts", k.ZeroVolts, 0, 3)
	c.in(key+".off_a", k.OffA, 0.01, k.OnA)
	c.in(key+".on_a", k.OnA, 0.01, 40)
}

func (c *checker) interlocks() {
	stop := false
	for i := range c.f.Wiring.Interlocks {
		l, key := &c.f.Wiring.Interlocks[i], fmt.Sprintf("wiring.interlock[%d]", i)
		c.name(key, "interlock", l.Name)
		c.one(key+".kind", l.Kind, words(kinds))
		c.line(key+".input", l.Input)
		stop = stop || l.Kind == string(safety.EmergencyStop)
	}
	if !stop {
		c.bad("wiring.interlock", "has no emergency_stop", "an auxiliary contact of the emergency stop, which itself removes the heaters' power without any software")
	}
}

func words[T ~string](list []T) []string {
	var out []string
	for _, v := range list {
		out = append(out, string(v))
	}
	return out
}
