// Package machine reads the description of a real machine and connects it: which chip reads which thermocouple, which line
// switches which heater, which contact permits heat. It decides nothing about heat.
package machine

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"

	"trivet/process/strict"
	"trivet/safety"
	"trivet/sim/catalog"
	"trivet/sim/plant"
)

// File is one machine as its file describes it: the physical properties that a simulated machine has too, and the wiring. The same
// file therefore serves a dry run in simulation.
type File struct {
	plant.Machine
	Wiring Wiring `toml:"wiring"`

	// Digest is the SHA-256 of the file's bytes, in hexadecimal: what was commissioned is this file and no other.
	Digest string `toml:"-"`
}

// Wiring is everything between the program and the machine.
//
// A line is written "CHIP/LINE": label of the GPIO chip and name of the line as `trivet probe` lists them, or name of an expander and
// number of its pin.
type Wiring struct {
	MainsHz    int      `toml:"mains_hz"`    // 50 or 60; the converters that can suppress it do
	RoomC      float64  `toml:"room_c"`      // assumed where nothing cold reads better; 0 means 23
	HeatEnable string   `toml:"heat_enable"` // line in series with everything that heats; on the computer itself
	Heartbeat  string   `toml:"heartbeat"`   // line that feeds the one-shot; on the computer itself
	Mirror     string   `toml:"mirror"`      // contact: the series contactor is closed; may be left out
	Fan        *Fan     `toml:"fan"`         // board cooling; may be left out
	Display    *Display `toml:"display"`     // shows the state in one sentence; may be left out
	// UnsensedShare is the highest duty of a heater behind whose relay nothing senses the load: a relay that sticks there is found
	// late, and a smaller mean power leaves more to shed. 0 means 0.85.
	UnsensedShare float64 `toml:"unsensed_share"`

	Expanders  []Expander  `toml:"expander"`
	Sensors    []Sensor    `toml:"sensor"`
	Heaters    []Heater    `toml:"heater"`
	Blowers    []Blower    `toml:"blower"`
	Interlocks []Interlock `toml:"interlock"`
}

// Sensor is one temperature input.
type Sensor struct {
	Name     string  `toml:"name"`  // stable: records name their columns by it
	Label    string  `toml:"label"` // for people; the name when left out
	Role     string  `toml:"role"`
	Chip     string  `toml:"chip"`
	Bus      string  `toml:"bus"`       // "SPI0.0", "I2C1"
	Address  int     `toml:"address"`   // on an I²C bus
	Input    int     `toml:"input"`     // of a converter that has several
	Type     string  `toml:"type"`      // letter of the thermocouple; Pt100 or Pt1000 for a resistance
	Wires    int     `toml:"wires"`     // of a resistance: 2, 3 or 4
	RefOhms  float64 `toml:"ref_ohms"`  // of a resistance: the reference resistor; 0 means 4.3 times the element's nominal value
	CeilingC float64 `toml:"ceiling_c"` // heat is removed in the tick that reads it
	// WatchOnly is for a couple that heat does not depend on: losing it is told and stops nothing. Its ceiling counts all the same.
	WatchOnly   bool         `toml:"watch_only"`
	Calibration *Calibration `toml:"calibration"`
}

// Calibration says what a sensor reads where the temperature is known: one point shifts, two points make a line.
type Calibration struct {
	Date         string  `toml:"date"`          // YYYY-MM-DD
	Reference    string  `toml:"reference"`     // what it was compared with
	UncertaintyC float64 `toml:"uncertainty_c"` // of the corrected value, with a coverage factor of 2
	Points       []Point `toml:"points"`
}

// Point is one comparison.
type Point struct {
	ReadsC float64 `toml:"reads_c"`
	IsC    float64 `toml:"is_c"`
}

// Heater is one relay. Name is "top", "bottom" or that of a bank; power and geometry are in the machine's own tables.
type Heater struct {
	Name     string  `toml:"name"`
	Label    string  `toml:"label"`
	Output   string  `toml:"output"`
	Sensor   string  `toml:"sensor"`    // the sensor its own loop follows
	Blower   string  `toml:"blower"`    // the blower whose air it needs; none for an area heater
	Sense    string  `toml:"sense"`     // contact: current or voltage behind the relay; may be left out
	HighestC float64 `toml:"highest_c"` // highest set-point; its sensor's ceiling lies above it
	// Current senses the load by a measured current in place of a contact.
	Current *Current `toml:"current"`
}

// Current is a rectified, averaged current signal at an input of an ADS1115 that nothing but such signals hang on.
type Current struct {
	Bus         string  `toml:"bus"`
	Address     int     `toml:"address"`
	Input       int     `toml:"input"`
	VoltsPerAmp float64 `toml:"volts_per_amp"`
	ZeroVolts   float64 `toml:"zero_volts"` // level at no current; from 0.2 V on a dead circuit can be told from none
	SpanVolts   float64 `toml:"span_volts"` // greatest level that must be told apart; 0 means 4.096
	OnA         float64 `toml:"on_a"`       // from here on current flows: about half of what the heater draws
	OffA        float64 `toml:"off_a"`      // below here none does: about a third
}

// sensed reports whether anything tells that the heater has mains.
func (h *Heater) sensed() bool { return h.Sense != "" || h.Current != nil }

// Blower is the air of one head.
type Blower struct {
	Name   string `toml:"name"`
	Label  string `toml:"label"`
	Output string `toml:"output"`
	Proof  string `toml:"proof"` // contact: air flows; may be left out
}

// Interlock is one normally-closed loop: an open contact or a broken wire is the unsafe side.
type Interlock struct {
	Name  string `toml:"name"`
	Kind  string `toml:"kind"` // emergency_stop, limiter, door or extraction
	Input string `toml:"input"`
}

// Fan cools the board from the end of heat on.
type Fan struct {
	Output string  `toml:"output"`
	PWMHz  float64 `toml:"pwm_hz"` // 0: on and off only
}

// Expander is a chip that adds lines.
type Expander struct {
	Name    string `toml:"name"`
	Chip    string `toml:"chip"`
	Bus     string `toml:"bus"`
	Address int    `toml:"address"`
	Enable  string `toml:"enable"` // of a shift register: the line that switches its outputs through
}

// Display is a small screen at the machine.
type Display struct {
	Chip    string `toml:"chip"`
	Bus     string `toml:"bus"`
	Address int    `toml:"address"`
	Height  int    `toml:"height"` // rows, 64 or 32
	Rotated bool   `toml:"rotated"`
}

// Parse reads and checks a machine file with its wiring. Its error, of type strict.Problems, lists every mistake with its line.
func Parse(name string, data []byte) (*File, error) {
	if _, err := catalog.ParseMachine(name, data); err != nil {
		return nil, err // the physical part, with the same messages as for a simulated machine
	}
	var f File
	if err := strict.Decode(name, data, &f); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(data)
	f.Digest = hex.EncodeToString(sum[:])
	c := checker{file: name, lines: strict.LinesOf(data)}
	c.wiring(&f)
	if len(c.found) > 0 {
		return nil, c.found
	}
	return &f, nil
}

// Wired reports whether a machine file has wiring: whether it describes a real machine.
func Wired(data []byte) bool { return strict.Present(data, "wiring") }

// What is meant where the file says nothing.
const (
	defaultRoom     = 23.0
	defaultUnsensed = 0.85 // decision of the project's owner, see DEVELOPERS.md
)

// Room is the temperature assumed where nothing reads better, °C.
func (w *Wiring) Room() float64 {
	if w.RoomC == 0 {
		return defaultRoom
	}
	return w.RoomC
}

// highestDuty is the highest duty of a heater without load sense.
func (w *Wiring) highestDuty() float64 {
	if w.UnsensedShare == 0 {
		return defaultUnsensed
	}
	return w.UnsensedShare
}

func label(given, name string) string {
	if given != "" {
		return given
	}
	return strings.ToUpper(name[:1]) + strings.ReplaceAll(name[1:], "-", " ")
}

// place splits a line's name at its last slash: labels of chips may contain some.
func place(line string) (chip, pin string) {
	i := strings.LastIndexByte(line, '/')
	if i < 0 {
		return "", ""
	}
	return line[:i], line[i+1:]
}

// kinds of interlocks and roles of sensors, as files spell them.
var (
	kinds = []safety.InterlockKind{safety.EmergencyStop, safety.Limiter, safety.Door, safety.Extraction}
	roles = []safety.Role{safety.RoleJoint, safety.RolePackageTop, safety.RoleBoard, safety.RoleNozzle, safety.RoleArea, safety.RoleNeighbour}
)
