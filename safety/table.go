package safety

import (
	"math/bits"
	"time"

	"trivet/process/unit"
)

// The order of the rows is the order in which simultaneous causes are named as first-out (invariant I-20):
// what a person did comes first, then what would hurt the part, then what the machine did, then sensors.
//
// Source of times: reaction classes R0…R5 of the hazard study, which prices a second of delay at full power at
// no more than 0.9 °C of joint; tests hold every row to its class.
var rows = [...]Alarm{
	{
		Code: "emergency_stop", Title: "Emergency stop is pressed", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true, Explains: []string{"contactor_open", "relay_open", "heat_missing"},
		Do: "Make the machine safe, turn the button to release it, then reset.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool {
			return l.Interlocks[i].Kind == EmergencyStop && !f.Closed[i]
		},
	},
	{
		Code: "limiter", Title: "Over-temperature limiter %s has tripped", Of: EachInterlock, Action: CutHeat, Latch: true, Inspect: true, Explains: []string{"contactor_open", "relay_open", "heat_missing"},
		Do:   "Find out what overheated, reset the limiter by hand at the limiter, then reset here.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool { return l.Interlocks[i].Kind == Limiter && !f.Closed[i] },
	},
	{
		Code: "door", Title: "%s opened during heat", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true, Explains: []string{"contactor_open", "relay_open", "heat_missing"},
		Do:   "Close it, check the board, then reset.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool { return l.Interlocks[i].Kind == Door && !f.Closed[i] },
	},
	{
		// A contact that flutters is worse than one that is open: each opening took the heat away, and each closing would give it back (I-02).
		Code: "contact_chatters", Title: "%s flutters", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Mend the contact or its wire, then reset.",
		True: func(_ *Limits, _ *Facts, p *past, i int) bool { return p.interlocks[i].chatters(p.now) },
	},
	{
		Code: "over_ceiling", Title: "%s reached its ceiling", Of: EachSensor, Action: CutHeat, Samples: 2, Latch: true, Inspect: true,
		Explains: []string{"at_ceiling"},
		Do:       "Let it cool below 60 °C, then check the profile, the sensor and the part before you reset.",
		True:     overCeiling,
	},
	{
		// One sample is enough to take the heat away; only two in a row are enough to end the run (invariant I-15).
		Code: "at_ceiling", Title: "%s is at its ceiling", Of: EachSensor, Action: ZoneOff, Show: 200 * time.Millisecond,
		Do:   "Wait; heat returns when it is cooler.",
		True: overCeiling,
	},
	{
		// The load sense sees current although the relay has been told to be off for the whole tick before, which is longer
		// than any zero-crossing delay: the usual way a solid-state relay dies. Only ticks with the relay told to be off can tell,
		// and at high duty those come singly, so three of them count whether or not ticks of drive lie between: two would trip falsely once in
		// five hours on senses that err once in a thousand looks. Acts at rest too.
		Code: "relay_stuck", Title: "Relay of %s is stuck on", Of: EachHeater, Action: CutHeat, Samples: 3, Latch: true, Inspect: true,
		Explains: []string{"heat_astray", "idle_heat", "over_ceiling", "at_ceiling"},
		Do:       "Switch the machine off at its isolator and replace the relay. Do not reset before that.",
		Asked:    func(_ *Limits, f *Facts, _ *past, i int) bool { return !f.Driven.Has(i) },
		True: func(l *Limits, f *Facts, _ *past, i int) bool {
			return l.Heaters[i].Sense && f.Sensed.Has(i) && !f.Testing // then the sequence names it
		},
	},
	{
		Code: "contactor_welded", Title: "The series contactor does not open", Of: Station, Action: CutHeat, After: 800 * time.Millisecond, Latch: true, Inspect: true,
		Do:   "Switch the machine off at its isolator and have the contactor checked.",
		True: func(l *Limits, f *Facts, _ *past, _ int) bool { return l.Mirror && f.Mirror && !f.Enabled },
	},
	{
		Code: "contactor_open", Title: "The series contactor does not close", Of: Station, Action: CutHeat, Armed: true, After: time.Second, Latch: true,
		Explains: []string{"relay_open", "heat_missing"},
		Do:       "Check the emergency stop, the limiter and the heartbeat relay; one of them holds the contactor open.",
		True:     func(l *Limits, f *Facts, _ *past, _ int) bool { return l.Mirror && !f.Mirror && f.Enabled },
	},
	{
		// A heater without air gains 12.8 °C/s at full power. Its head is off in the same tick, because the gate
		// wants proven air; the run ends when the air does not come back (class R2: element at most 26 °C hotter).
		Code: "air_lost", Title: "%s stopped blowing during heat", Of: EachBlower, Action: CutHeat, Armed: true, After: time.Second, Latch: true,
		Explains: []string{"heat_missing", "heat_astray", "air_weak"},
		Do:       "Check its fuse, its fan and the airflow switch. The element is still hot: keep away until it has cooled.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool {
			return f.BlowerOn[i] && l.Blowers[i].Proof && !f.AirFlows[i]
		},
	},
	{
		Code: "extraction_hold", Title: "%s is not extracting", Of: EachInterlock, Action: HoldHeat, Armed: true,
		Do:   "Switch the fume extraction on; heat is held until it runs.",
		True: noExtraction,
	},
	{
		Code: "extraction", Title: "%s did not come back", Of: EachInterlock, Action: CutHeat, Armed: true, Latch: true,
		Do:    "Switch the fume extraction on and check its flow switch, then reset.",
		True:  noExtraction,
		Delay: func(l *Limits, _ int) time.Duration { return l.ExtractionHold },
	},
	{
		// Hazard S-10: what the chip adds for its own end is wrong, so its reading is worthless however sound it looks.
		Code: "cold_junction", Title: "The amplifier of %s is too warm, or its temperature jumps", Of: EachSensor, Action: Tell, Explains: []string{"sensor_bad", "sensor_lost"},
		Do:   "Look for a hot air stream or sunlight on the amplifiers.",
		True: func(_ *Limits, _ *Facts, p *past, i int) bool { return p.sensors[i].coldBad },
	},
	{
		// First bad sample of a sensor that heat depends on: no more heat than now (hazard S-01).
		Code: "sensor_bad", Title: "%s is not reading", Of: EachSensor, Action: HoldHeat, Armed: true, Show: 400 * time.Millisecond,
		Do:   "Heat is held until it reads again.",
		True: func(l *Limits, f *Facts, p *past, i int) bool { return needed(l, f, i) && !p.sound(f, i) },
	},
	{
		// Its time runs from the last good sample, not from the first bad one, so that the age of that sample counts too.
		Code: "sensor_lost", Title: "%s is lost", Of: EachSensor, Action: CutHeat, Armed: true, Latch: true, Explains: []string{"sensor_bad"},
		Do: "Push its plug home, check the wire at the board, then reset. If that does not help, try the probe on another input.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			return needed(l, f, i) && p.lostFor(f, i) >= l.Sensors[i].LostAfter
		},
	},
	{
		Code: "sensor_frozen", Title: "%s repeats one value", Of: EachSensor, Action: CutHeat, Armed: true, Latch: true, Explains: []string{"sensor_bad", "sensor_lost"},
		Do: "Switch the amplifier off and on; if it happens again, replace it.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			return needed(l, f, i) && (p.sensors[i].frozen || f.Readings[i].Quality == unit.Frozen)
		},
	},
	{
		// Every gap was too short to count as lost, but there are too many of them to steer by (hazard S-08).
		Code: "sensor_erratic", Title: "%s fails again and again", Of: EachSensor, Action: CutHeat, Armed: true, Latch: true, Explains: []string{"sensor_bad", "sensor_lost"},
		Do: "Look for a loose plug, or for wires that run beside the heater's.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			return needed(l, f, i) && p.sensors[i].missing() >= erratic && p.sensors[i].ever
		},
	},
	{
		Code: "sensor_noisy", Title: "%s is noisy", Of: EachSensor, Action: Tell, After: 2 * time.Second,
		Do: "Look for a loose plug, or for wires that run beside the heater's.",
		True: func(l *Limits, _ *Facts, p *past, i int) bool {
			return l.Sensors[i].Noise > 0 && p.sensors[i].rough > noisy*l.Sensors[i].Noise
		},
	},
	{
		// Hazard S-05. First no more heat; a person may stop, look and go on.
		Code: "joint_doubt", Title: "%s does not fit what is around it", Of: EachSensor, Action: HoldHeat, Armed: true, After: 1500 * time.Millisecond,
		Do:   "Look whether the bead still sits at its ball.",
		True: astray,
	},
	{
		Code: "joint_astray", Title: "%s has come off", Of: EachSensor, Action: CutHeat, Armed: true, After: 4 * time.Second, Latch: true, Explains: []string{"joint_doubt"},
		Do:   "Let the board cool. Press the bead down and fix it again; if it sits well, its two wires are the wrong way round. Then reset.",
		True: astray,
	},
	{
		// The relay was told to be on for the whole tick before, the contactor is closed, and no current flows (hazard P-04). Only ticks
		// of drive can tell.
		Code: "relay_open", Title: "%s takes no current", Of: EachHeater, Action: CutHeat, Armed: true, Samples: 5, Latch: true, Explains: []string{"heat_missing", "relay_flutters"},
		Do:    "Let it cool, switch the machine off at its isolator, then have fuse, relay and element checked.",
		Asked: drives,
		True:  func(l *Limits, f *Facts, _ *past, i int) bool { return l.Heaters[i].Sense && !f.Sensed.Has(i) },
	},
	{
		// Hazard P-08. The joint makes up for the power that is missing; what wears out is the relay.
		Code: "relay_flutters", Title: "%s lets go while it is told to be on", Of: EachHeater, Action: Tell, Armed: true, Explains: []string{"heat_missing"},
		Do:   "After the run let it cool, switch the machine off at its isolator, then have relay, plugs and drive wires checked.",
		True: func(_ *Limits, _ *Facts, p *past, i int) bool { return bits.OnesCount32(p.mute[i]) >= fluttering },
	},
	{
		// A head without air reads colder the more it is driven (21…28 °C in 2 s, computed for this project): a low reading under high drive
		// means no air, and never that more heat is wanted.
		Code: "heat_missing", Title: "%s reads far too cold for its power", Of: EachHeater, Action: CutHeat, Armed: true, After: 300 * time.Millisecond, Latch: true,
		Do: "Its air, its element or its sensor is missing. The element may be very hot: keep away until it has cooled, then look.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			return p.heaters[i].off < -l.Heaters[i].Loop.Band && l.Heaters[i].Loop.Band > 0
		},
	},
	{
		// Without a load sense this is how a relay that is stuck on is found; with one, it is not that.
		Code: "heat_astray", Title: "%s is far hotter than its power explains", Of: EachHeater, Action: CutHeat, Armed: true, After: 300 * time.Millisecond, Latch: true, Inspect: true,
		Do: "Its relay may be stuck on, or its sensor be wrong. Switch the machine off at its isolator and have both checked.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			return !l.Heaters[i].Sense && p.heaters[i].off > l.Heaters[i].Loop.Band && l.Heaters[i].Loop.Band > 0
		},
	},
	{
		Code: "air_weak", Title: "The air of %s is weak: it is hotter than its power explains", Of: EachHeater, Action: HoldHeat, Armed: true, After: 300 * time.Millisecond,
		Do: "Look for something before the inlet or the nozzle; clean the filter. Heat is held meanwhile.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			h := &l.Heaters[i]
			return h.Sense && h.Blower >= 0 && p.heaters[i].off > h.Loop.Band && h.Loop.Band > 0
		},
	},
	{
		// Hazard P-02: a zone that warms by itself, long after the last drive. The contactor is open then, or was to be.
		Code: "idle_heat", Title: "%s gets hot by itself", Of: EachHeater, Action: CutHeat, Latch: true, Inspect: true,
		Do: "Switch the machine off at its isolator now. Relay and contactor must both be checked.",
		True: func(l *Limits, f *Facts, p *past, i int) bool {
			return l.Heaters[i].Loop.Gain > 0 && p.heaters[i].idle >= idleRest && p.heaters[i].rise() >= idleRise
		},
	},
	{
		// Hazard A-03. No power goes in any more; what is stored comes out of the head into whatever is near.
		Code: "run_on_air", Title: "%s does not blow, and its head is still hot", Of: EachBlower, Action: Tell, After: 2 * time.Second,
		Do: "Keep away and let it cool; do not move the head over anything that melts.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool {
			return !f.Armed && !f.Testing && f.BlowerOn[i] && l.Blowers[i].Proof && !f.AirFlows[i]
		},
	},
	{
		// Power goes with the square of the voltage: 15 % less is 28 % less heat (hazard C-01).
		Code: "supply", Title: "The mains voltage is outside −15…+10 %", Of: Station, Action: Tell, After: 2 * time.Second,
		Do:   "A run may fall behind its profile. Find out what else is on the circuit.",
		True: func(l *Limits, f *Facts, _ *past, _ int) bool { return l.Supply && poorSupply(f) },
	},
	{
		// A contact that has not opened for so many runs may not be able to (hazards I-01, I-03).
		Code: "contact_untried", Title: "%s has not been seen open in 50 runs", Of: EachInterlock, Action: Tell,
		Do:   "Open it once, at rest, and see that this goes away.",
		True: func(_ *Limits, _ *Facts, p *past, i int) bool { return p.interlocks[i].runs >= untriedRuns },
	},
	{
		// One of several joints is gone: the run goes on with the others, and says so.
		Code: "joint_missing", Title: "%s is lost; the run goes on with the other joints", Of: EachSensor, Action: Tell, Armed: true, After: time.Second,
		Do: "The coldest joint may now be one that nobody measures: lift only when you are sure. Mend it before the next run.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool {
			return l.Sensors[i].Guard && !needed(l, f, i) && !without(l, f, i) && !f.Readings[i].Usable()
		},
	},
	{
		// A dead sensor that nothing depends on is worth knowing about, no more.
		Code: "sensor_out", Title: "%s is not reading", Of: EachSensor, Action: Tell, After: 2 * time.Second,
		Do:   "Heat does not depend on it. Check its plug when convenient.",
		True: func(l *Limits, f *Facts, _ *past, i int) bool { return !l.Sensors[i].Guard && !f.Readings[i].Usable() },
	},
	{
		Code: "start_bypass", Title: "Start-up test: a load has mains although the contactor is open", Of: Station, Action: CutHeat, Latch: true, Inspect: true,
		Do:   "Switch the machine off at its isolator and have the contactor checked: it is welded or bridged.",
		True: func(_ *Limits, f *Facts, _ *past, _ int) bool { return f.Testing && f.Test.Found == FoundBypass },
	},
	{
		Code: "start_no_contact", Title: "Start-up test: the contactor does not close", Of: Station, Action: CutHeat, Latch: true,
		Do:   "Check emergency stop, limiter and heartbeat relay: one of them holds it open.",
		True: func(_ *Limits, f *Facts, _ *past, _ int) bool { return f.Testing && f.Test.Found == FoundNoContact },
	},
	{
		Code: "start_one_shot", Title: "Start-up test: the contactor stays closed without a heartbeat", Of: Station, Action: CutHeat, Latch: true, Inspect: true,
		Do:   "Do not heat: a program that hangs would not be cut off. Have the heartbeat relay checked.",
		True: func(_ *Limits, f *Facts, _ *past, _ int) bool { return f.Testing && f.Test.Found == FoundOneShot },
	},
	{
		Code: "start_relay_stuck", Title: "Start-up test: %s has mains although its relay is off", Of: EachHeater, Action: CutHeat, Latch: true, Inspect: true,
		Do: "Switch the machine off at its isolator and replace the relay. Do not reset before that.", Explains: []string{"relay_stuck"},
		True: func(_ *Limits, f *Facts, _ *past, i int) bool {
			return f.Testing && f.Test.Found == FoundStuck && f.Test.At == i
		},
	},
	{
		Code: "start_relay_dead", Title: "Start-up test: %s takes no current", Of: EachHeater, Action: CutHeat, Latch: true,
		Do: "Switch the machine off at its isolator, then have fuse, relay and element checked.",
		True: func(_ *Limits, f *Facts, _ *past, i int) bool {
			return f.Testing && f.Test.Found == FoundDead && f.Test.At == i
		},
	},
	{
		Code: "start_crossed", Title: "Start-up test: the relay of %s switches another load", Of: EachHeater, Action: CutHeat, Latch: true, Inspect: true,
		Do: "Switch the machine off at its isolator and have the wires behind the relays put right.",
		True: func(_ *Limits, f *Facts, _ *past, i int) bool {
			return f.Testing && f.Test.Found == FoundCrossed && f.Test.At == i
		},
	},
	{
		// Stored twice, and the two do not agree, or the run's own ceilings changed under way (hazard C-13).
		Code: "memory", Title: "The limits in memory have changed by themselves", Of: Station, Action: CutHeat, Latch: true, Inspect: true,
		Do:   "Restart the program; if it happens again, have the computer's memory tested.",
		True: func(_ *Limits, f *Facts, p *past, _ int) bool { return p.corrupt || f.Armed && p.loosened },
	},
	{
		// Latched by Restore and by nothing else.
		Code: "owed", Title: "An inspection is owed from before the program was restarted", Of: Station, Action: CutHeat, Latch: true, Inspect: true,
		Do:   "What tripped cannot be read any more: have contactor, relays and limiter looked at, then reset.",
		True: func(*Limits, *Facts, *past, int) bool { return false },
	},
	{
		Code: "clock", Title: "The computer's clock ran backwards", Of: Station, Action: CutHeat, Latch: true,
		Do:   "This is a fault of the computer: restart it, and report it if it happens again.",
		True: func(_ *Limits, _ *Facts, p *past, _ int) bool { return p.backward },
	},
	{
		Code: "bad_drive", Title: "The control law asked for an impossible power", Of: Station, Action: CutHeat, Latch: true,
		Do:   "This is a fault in the program: save the record and report it.",
		True: func(_ *Limits, f *Facts, _ *past, _ int) bool { return f.BadDrive },
	},
	{
		Code: "late", Title: "The control loop was too late", Of: Station, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Find what kept the computer busy, then reset.",
		True: func(_ *Limits, f *Facts, _ *past, _ int) bool { return f.Late > MaxLate },
	},
	{
		Code: "silent", Title: "The control loop fell silent", Of: Station, Action: CutHeat, Latch: true,
		Do:   "Restart the program; if it happens again save the log and report it.",
		True: func(_ *Limits, f *Facts, _ *past, _ int) bool { return f.Silent },
	},
	{
		Code: "run_too_long", Title: "Heat was on for longer than any run may take", Of: Station, Action: CutHeat, Armed: true, Latch: true,
		Do:   "Check the profile; a wait may never have been met.",
		True: func(l *Limits, f *Facts, _ *past, _ int) bool { return f.HeatFor >= l.MaxRun },
	},
}
