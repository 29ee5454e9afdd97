package fault

// sensor is one thermocouple of the machine that the table is for, with what its amplifier can do.
type sensor struct {
	name string
	chip string
	// frozen is what a repeated frame comes to: the sooner the finer the chip's steps.
	frozen Expect
}

// The machine of the table is bench-5kw: sensors and heaters are named as there.
func sensors() []sensor {
	return []sensor{
		{"joint-corner", "max31855", Expect{R30, "sensor_frozen"}},
		{"package-top", "max31856", Expect{R1, "sensor_frozen"}},
		{"board", "max31855", Expect{Bounded, "sensor_frozen"}}, // it follows the part too late to be told from a board that holds still
		{"nozzle-top", "max31855", Expect{R30, "sensor_frozen|heat_missing"}},
		{"nozzle-bottom", "max31855", Expect{R30, "sensor_frozen|heat_missing"}},
		{"area-left", "ad8495", Expect{R30, "sensor_frozen|heat_missing"}},
		{"area-ends", "ad8495", Expect{R30, "sensor_frozen|heat_missing"}},
	}
}

// hot are the phases with heat on the board under the profile; heat gives one expectation to all of them.
func heat(e Expect, more map[Phase]Expect) map[Phase]Expect {
	m := map[Phase]Expect{Preheat: e, Soak: e, Reflow: e, Lift: e}
	for p, x := range more {
		m[p] = x
	}
	return m
}

// Cases returns the fault table. The slice is fresh.
func Cases() []Case {
	var out []Case
	out = append(out, lostCases()...)
	out = append(out, misreadCases()...)
	out = append(out, proofCases()...)
	out = append(out, powerCases()...)
	out = append(out, airCases()...)
	out = append(out, contactCases()...)
	out = append(out, busCases()...)
	out = append(out, driveCases()...)
	out = append(out, mechanicalCases()...)
	return append(out, programCases()...)
}

// lostCases are the ways to lose a sensor that says so, or whose amplifier does.
func lostCases() []Case {
	var out []Case
	refused := Expect{Refused, "sensor"}
	for _, s := range sensors() {
		add := func(id, hazard string, k Kind, e Expect, residual string) {
			out = append(out, Case{ID: id + "-" + s.name, Hazard: hazard, Fault: Fault{Kind: k, Target: s.name}, Residual: residual,
				In: heat(e, map[Phase]Expect{Idle: refused, Proof: e, Cool: {Class: Told}, After: {Class: Told}})})
		}
		lost := Expect{R1, "sensor_lost"}
		open := lost
		if s.chip == "max31856" {
			open.Class = R1Slow
			open.First += "|sensor_frozen" // until the chip's own test it may repeat its last word
		}
		add("open", "S-01", "sensor_open", open, "at most 0.9 °C of joint for each second")
		add("short-ground", "S-02", "sensor_short_ground", lost, "at most 0.9 °C of joint")
		add("short-supply", "S-02", "sensor_short_supply", lost, "at most 0.9 °C of joint")
		add("dead", "B-01", "sensor_dead", lost, "at most 0.9 °C of joint")
		add("zeros", "B-01", "sensor_zeros", lost, "at most 0.9 °C of joint; below 5 °C in the shop no run starts")
		add("ones", "B-01", "sensor_ones", lost, "at most 0.9 °C of joint")
		out = append(out, Case{ID: "frozen-" + s.name, Hazard: "S-07", Fault: Fault{Kind: "sensor_frozen", Target: s.name}, In: map[Phase]Expect{Preheat: s.frozen},
			Residual: "a chip with steps of 0.25 °C that freezes while nothing moves is found when something moves again; the ceilings of the other sensors hold meanwhile"})
	}
	out = append(out, Case{ID: "monitor-lost", Hazard: "S-01", Fault: Fault{Kind: "sensor_open", Target: "neighbour"}, In: heat(Expect{Told, "sensor_out"}, map[Phase]Expect{Idle: {Told, "sensor_out"}}),
		Residual: "nothing depends on this sensor; the part beside is not watched any more"})
	return out
}

// misreadCases are sensors that read wrong.
func misreadCases() []Case {
	guard := func(id, hazard string, f Fault, e Expect, residual string) Case {
		return Case{ID: id, Hazard: hazard, Fault: f, In: heat(e, nil), Residual: residual}
	}
	const bounded = "the slow part of it cannot be told from a real change; package top, board and nozzle keep their own ceilings"
	return []Case{
		guard("step-joint-up", "S-05", Fault{Kind: "sensor_offset", Target: "joint-corner", Value: 30}, Expect{R1, "sensor_lost|over_ceiling"}, "at most 0.9 °C of joint"),
		guard("step-joint-down", "S-05", Fault{Kind: "sensor_offset", Target: "joint-corner", Value: -30}, Expect{R1, "sensor_lost"}, "at most 0.9 °C of joint"),
		guard("step-package-top", "S-05", Fault{Kind: "sensor_offset", Target: "package-top", Value: -30}, Expect{R1, "sensor_lost"}, "at most 0.9 °C of package top"),
		guard("step-nozzle", "S-05", Fault{Kind: "sensor_offset", Target: "nozzle-top", Value: -30}, Expect{R1, "sensor_lost|heat_missing"}, "the element is at most 13 °C hotter"),
		guard("slip-joint-high", "S-05", Fault{Kind: "sensor_slips", Target: "joint-corner", Value: 80}, Expect{R30, "joint_astray|sensor_lost|over_ceiling"}, bounded),
		guard("slip-joint-low", "S-05", Fault{Kind: "sensor_slips", Target: "joint-corner", Value: -110}, Expect{R30, "joint_astray|sensor_lost|over_ceiling"}, bounded),
		guard("drift-joint-up", "S-09", Fault{Kind: "sensor_drift", Target: "joint-corner", Value: 0.5}, Expect{Bounded, "joint_astray|over_ceiling"}, bounded+"; the joint stays too cold"),
		guard("drift-joint-down", "S-09", Fault{Kind: "sensor_drift", Target: "joint-corner", Value: -0.5}, Expect{Bounded, "joint_astray|over_ceiling"}, bounded+"; the joint gets as hot as the package top's limit allows"),
		guard("gain-joint-low", "S-11", Fault{Kind: "sensor_gain", Target: "joint-corner", Value: 0.97}, Expect{Bounded, "over_ceiling"}, "3 % are inside the tolerance of a couple; the proof allows 20 %"),
		guard("noise-joint", "S-08", Fault{Kind: "sensor_noise", Target: "joint-corner", Value: 1.5}, Expect{Told, "sensor_noisy"}, "the loop filters it"),
		guard("noise-joint-strong", "S-08", Fault{Kind: "sensor_noise", Target: "joint-corner", Value: 12}, Expect{R5, "sensor_erratic|sensor_lost|over_ceiling|joint_astray"}, "a quarter of a minute of joint at most, by the other ceilings"),
		guard("spikes-joint", "S-08", Fault{Kind: "sensor_spikes", Target: "joint-corner", Value: 0.6}, Expect{R5, "sensor_erratic|sensor_lost|over_ceiling"}, "none: no spike is steered by"),
		guard("noise-nozzle", "S-08", Fault{Kind: "sensor_noise", Target: "nozzle-top", Value: 1.5}, Expect{Told, "sensor_noisy"}, "the loop filters it"),
		guard("cold-far", "S-10", Fault{Kind: "sensor_cold", Target: "joint-corner", Value: 40}, Expect{R1, "sensor_lost"}, "none"),
		guard("cold-near", "S-10", Fault{Kind: "sensor_cold", Target: "joint-corner", Value: 12}, Expect{R1, "sensor_lost"}, "up to 8 °C slowly, common to all amplifiers, goes unseen"),
		guard("reset-package-top", "B-02", Fault{Kind: "sensor_reset", Target: "package-top"}, Expect{R1Slow, "sensor_lost"}, "the configuration is read back once a second"),
	}
}

// proofCases are there from the start and look right when cold: only the warm-up proof can tell.
func proofCases() []Case {
	one := func(id, hazard string, f Fault, first, residual string) Case {
		return Case{ID: id, Hazard: hazard, Fault: f, In: map[Phase]Expect{Before: {Refused, first}}, Residual: residual}
	}
	return []Case{
		one("reversed-joint", "S-04", Fault{Kind: "sensor_reversed", Target: "joint-corner"}, "proof:reversed|trip:joint_astray", "without the proof it is found when it falls"),
		one("swapped-joint-top", "S-06", Fault{Kind: "sensor_swapped", Target: "joint-corner", With: "package-top"}, "proof:swapped", "two couples a few millimetres apart cannot be told, nor does it matter"),
		one("type-joint", "S-11", Fault{Kind: "sensor_type", Target: "joint-corner", With: "J"}, "proof:wrong_scale|proof:scale|proof:wrong_type", "types closer than 20 % cannot be told"),
		one("detached-joint", "S-05", Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 1}, "proof:detached", "a bead that hangs right beside its ball"),
		one("crossed-heaters", "P-06", Fault{Kind: "relay_swapped", Target: "left", With: "top"}, "proof:wrong_zone", "heaters that stand side by side and are alike"),
		{ID: "crossed-heaters-unproven", Hazard: "P-06", Fault: Fault{Kind: "relay_swapped", Target: "top", With: "left"}, In: map[Phase]Expect{Preheat: {Bounded, "heat_missing|heat_astray"}},
			Residual: "exchanged under way, without a proof: found when reading and power have come apart, within about half a minute"},
	}
}

// powerCases are relays, elements, contactor and one-shot.
func powerCases() []Case {
	var out []Case
	for _, h := range []string{"top", "bottom", "left", "ends"} {
		stuck, dead := Expect{R1, "relay_stuck"}, Expect{R5, "relay_open"}
		out = append(out,
			Case{ID: "relay-stuck-on-" + h, Hazard: "P-01", Fault: Fault{Kind: "relay_stuck_on", Target: h},
				In:       map[Phase]Expect{Before: {Refused, "trip:start_relay_stuck"}, Preheat: stuck, Soak: stuck, Reflow: stuck, Lift: stuck},
				Residual: "only the series contactor can act; counted from the first tick in which the relay is told to be off"},
			Case{ID: "relay-stuck-off-" + h, Hazard: "P-04", Fault: Fault{Kind: "relay_stuck_off", Target: h},
				In:       map[Phase]Expect{Before: {Refused, "trip:start_relay_dead"}, Preheat: dead, Soak: dead},
				Residual: "no danger, perhaps a lost part; counted in ticks of drive"},
			Case{ID: "sense-stuck-on-" + h, Hazard: "P-01", Fault: Fault{Kind: "sense_stuck_on", Target: h},
				In:       map[Phase]Expect{Before: {Refused, "tripped"}, Preheat: stuck, Reflow: stuck, Idle: {Refused, "tripped"}},
				Residual: "cannot be told from a relay that is stuck on, and is treated as one"},
			Case{ID: "sense-stuck-off-" + h, Hazard: "P-04", Fault: Fault{Kind: "sense_stuck_off", Target: h},
				In: map[Phase]Expect{Before: {Refused, "trip:start_relay_dead"}, Preheat: dead}, Residual: "none"})
	}
	return append(out,
		Case{ID: "contactor-welded", Hazard: "P-05", Fault: Fault{Kind: "contactor_welded"},
			In:       map[Phase]Expect{Before: {Refused, "tripped"}, Idle: {Refused, "tripped"}, After: {Told, "contactor_welded"}, Soak: {Bounded, "contactor_welded"}},
			Residual: "in a run nothing shows it; with a relay stuck on as well only limiter, fuse and isolator are left"},
		Case{ID: "contactor-dead", Hazard: "P-05", Fault: Fault{Kind: "contactor_dead"},
			In:       heat(Expect{R2, "contactor_open"}, map[Phase]Expect{Before: {Refused, "trip:start_no_contact"}}),
			Residual: "none"},
		Case{ID: "one-shot-stuck", Hazard: "C-04", Fault: Fault{Kind: "one_shot_stuck"},
			In:       map[Phase]Expect{Before: {Refused, "trip:start_one_shot"}, Soak: {Class: Bounded}},
			Residual: "found before the next run; in a run heat-enable still drops the contactor"},
		Case{ID: "mains-sag", Hazard: "C-01", Fault: Fault{Kind: "mains", Value: 0.8}, In: heat(Expect{Told, "supply"}, map[Phase]Expect{Idle: {Refused, "supply"}}),
			Residual: "a third of the power is gone: the run may fall behind and wait"},
		Case{ID: "mains-surge", Hazard: "C-01", Fault: Fault{Kind: "mains", Value: 1.15}, In: map[Phase]Expect{Preheat: {Told, "supply"}, Idle: {Refused, "supply"}},
			Residual: "a third more power: elements keep their ceilings"})
}

// airCases are blowers.
func airCases() []Case {
	var out []Case
	for _, b := range []string{"top", "bottom"} {
		lost := Expect{R2, "air_lost"}
		out = append(out,
			Case{ID: "blower-dead-" + b, Hazard: "A-01", Fault: Fault{Kind: "blower_dead", Target: b},
				In:       heat(lost, map[Phase]Expect{Before: {Refused, "no_air"}, After: {Told, "run_on_air"}}),
				Residual: "the element is at most 26 °C hotter; it needs a thermal fuse of its own"},
			Case{ID: "blower-third-" + b, Hazard: "A-02", Fault: Fault{Kind: "blower_weak", Target: b, Value: 0.3}, In: heat(lost, nil), Residual: "as without air, slower"},
			Case{ID: "blower-weak-" + b, Hazard: "A-02", Fault: Fault{Kind: "blower_weak", Target: b, Value: 0.6},
				In: map[Phase]Expect{Preheat: {Bounded, "over_ceiling"}, Soak: {Bounded, "over_ceiling"}}, Residual: "the element stays below 700 °C; slow clogging shows as a head that needs less power than it was commissioned with"},
			Case{ID: "blower-unseen-" + b, Hazard: "A-01", Fault: Fault{Kind: "blower_dead_unseen", Target: b},
				In: map[Phase]Expect{Preheat: {R5, "heat_missing"}, Soak: {R5, "heat_missing"}, Reflow: {R5, "heat_missing"}}, Residual: "two faults at once; at low drive it takes longer, and heats less"})
	}
	return out
}

// contactCases are interlocks.
func contactCases() []Case {
	off := func(code string) map[Phase]Expect {
		return heat(Expect{R0, code}, map[Phase]Expect{Idle: {Refused, code}, Proof: {R0, code}})
	}
	return []Case{
		{ID: "emergency-stop", Hazard: "I-04", Fault: Fault{Kind: "interlock_open", Target: "emergency_stop"}, In: off("emergency_stop"), Residual: "none: the wire drops the contactor by itself"},
		{ID: "door", Hazard: "I-01", Fault: Fault{Kind: "interlock_open", Target: "door"}, In: off("door"), Residual: "a jumpered switch"},
		{ID: "limiter", Hazard: "I-05", Fault: Fault{Kind: "interlock_open", Target: "limiter"},
			In: heat(Expect{R0, "limiter"}, map[Phase]Expect{Idle: {Refused, "tripped"}, Proof: {R0, "limiter"}, After: {Told, "limiter"}}), Residual: "none"},
		{ID: "extraction", Hazard: "I-01", Fault: Fault{Kind: "interlock_open", Target: "extraction"},
			In: map[Phase]Expect{Idle: {Refused, "extraction"}, Preheat: {Hold10, "extraction"}, Soak: {Hold10, "extraction"}, Reflow: {Hold10, "extraction"}}, Residual: "ten seconds of held heat"},
		{ID: "door-chatters", Hazard: "I-02", Fault: Fault{Kind: "interlock_chatters", Target: "door", Value: 4}, In: heat(Expect{R1, "door"}, nil), Residual: "none: the first opening counts"},
		{ID: "extraction-chatters", Hazard: "I-02", Fault: Fault{Kind: "interlock_chatters", Target: "extraction", Value: 2}, In: map[Phase]Expect{Preheat: {R5, "contact_chatters"}, Soak: {R5, "contact_chatters"}, Reflow: {R5, "contact_chatters"}}, Residual: "none"},
		{ID: "door-stuck", Hazard: "I-03", Fault: Fault{Kind: "interlock_stuck", Target: "door"}, In: map[Phase]Expect{Soak: {Class: Bounded}}, Residual: "after 50 runs without an opening the page asks for a trial"},
	}
}

// programCases cannot be made at the machine's lines. They are in the table so that it is whole.
func programCases() []Case {
	row := func(id, hazard, test, text string) Case {
		return Case{ID: id, Hazard: hazard, Shown: test, Residual: text}
	}
	return []Case{
		row("killed", "C-03", "cmd/trivet: TestAKilledRunIsAbortedAndNothingResumes", "the program is killed: heat off by one-shot and contactor, the run is aborted, nothing resumes"),
		row("hung", "C-04", "station: TestTheSafetyGoroutineTakesTheHeatWhenTheLoopHangs", "the control loop hangs: the safety goroutine takes heat-enable and every relay"),
		row("late", "C-05", "safety: TestEveryFaultTakesTheHeatAwayInItsClassAndIsNamedFirst", "a tick comes more than 300 ms late: heat off in that tick"),
		row("clock-back", "C-07", "safety: TestAClockThatRunsBackwardsTakesTheHeat", "monotonic time runs backwards: heat off; wall-clock steps are seen by nothing that heats"),
		row("clock-step", "C-07", "station: TestNothingBetweenSensorAndRelayKnowsTheTimeOfDay", "the wall clock steps by seconds or years: nothing between sensor and relay can ask for it"),
		row("two-at-once", "§6", "sim/bench: TestTwoFaultsAtOnceStayInTheSlowerClass", "any two rows of this table at once"),
		row("many-at-once", "§6", "sim/bench: TestManyFaultsAtOnceLeaveNothingThatBurns", "three to six rows of this table at once: heat goes and truth stays bounded, unless a load conducts by itself behind a welded contactor"),
		row("bit-flip", "C-13", "safety: TestEveryFlippedBitOfTheLimitsTakesTheHeat", "one bit of a limit or latch flips: heat off in the next tick"),
		row("restart-owing", "C-02", "cmd/trivet: TestATripThatOwesAnInspectionOutlivesTheProgram", "a restart after a trip that owes an inspection: the station comes up tripped"),
	}
}
