package fault

// busCases are what goes wrong between a sound amplifier and whoever reads it (hazards B-02, B-03, B-05, B-06).
func busCases() []Case {
	var out []Case
	add := func(id, hazard string, f Fault, in map[Phase]Expect, residual string) {
		out = append(out, Case{ID: id, Hazard: hazard, Fault: f, In: in, Residual: residual})
	}
	lost, goesOn := Expect{R1, "sensor_lost"}, Expect{Class: Told}
	for _, s := range sensors() {
		switch s.name {
		case "joint-corner", "package-top", "nozzle-top", "area-left":
		default:
			continue // they are on the same kinds of chip
		}
		bits := func(share float64) Fault { return Fault{Kind: "bus_bit_errors", Target: s.name, Value: share} }
		add("bits-1e-4-"+s.name, "B-02", bits(1e-4), heat(goesOn, nil), "a flipped bit of at most some 5 °C passes and does no harm; any other costs one sample")
		often, left := goesOn, "a flipped bit of at most some 5 °C passes and does no harm; any other costs one sample"
		if s.chip != "max31855" { // what is sent to these chips suffers as well
			often, left = Expect{Bounded, "sensor_lost|sensor_erratic"}, "the run goes on, or ends because a flipped command has set the chip otherwise: that is seen within a second"
		}
		add("bits-1e-3-"+s.name, "B-02", bits(1e-3), heat(often, nil), left)
		add("bits-1e-2-"+s.name, "B-02", bits(1e-2), heat(Expect{Bounded, "sensor_erratic|sensor_lost"}, nil), "every fourth sample or so is lost; the run goes on or ends, by chance")
		add("bits-1e-1-"+s.name, "B-02", bits(1e-1), heat(Expect{R5, "sensor_lost|sensor_erratic"}, nil), "heat is held from the first lost sample")
		refused := map[Phase]Expect{Idle: {Refused, "sensor"}}
		add("shifted-"+s.name, "B-02", Fault{Kind: "bus_shifted", Target: s.name}, heat(lost, refused), "at most 0.9 °C of joint")
		add("swapped-"+s.name, "B-02", Fault{Kind: "bus_swapped", Target: s.name}, heat(lost, refused), "at most 0.9 °C of joint")
		add("refuses-some-"+s.name, "B-03", Fault{Kind: "bus_refuses", Target: s.name, Value: 0.01}, heat(goesOn, nil), "a sample now and then")
		add("refuses-most-"+s.name, "B-03", Fault{Kind: "bus_refuses", Target: s.name, Value: 0.8}, heat(Expect{R5, "sensor_lost|sensor_erratic"}, nil), "heat is held from the first lost sample")
	}
	for _, d := range []struct {
		id      string
		ms      float64
		late    Expect
		blocked Expect
	}{
		{"5-ms", 5, goesOn, goesOn}, {"150-ms", 150, goesOn, goesOn},
		{"700-ms", 700, lost, Expect{R1, "silent"}}, {"3-s", 3000, lost, Expect{R1, "silent"}},
	} {
		for _, s := range []string{"joint-corner", "area-left"} {
			add("late-"+d.id+"-"+s, "B-06", Fault{Kind: "bus_late", Target: s, Value: d.ms}, heat(d.late, nil), "what is older than two and a half periods is no reading")
		}
		add("blocks-"+d.id, "B-03", Fault{Kind: "bus_blocks", Target: "joint-corner", Value: d.ms}, heat(d.blocked, nil),
			"a loop that waits for its bus gives no heartbeat: safety goroutine, one-shot and contactor need no answer from it")
	}
	two := func(target, with string) Fault { return Fault{Kind: "bus_two_answer", Target: target, With: with} }
	// The lower level wins, so the answer is right whenever the one number has all the ones of the other, and jumps as soon as it has not.
	const alike = "as long as the common answer happens to be right nothing shows it; when it is wrong it jumps and is lost"
	for _, pair := range [][3]string{{"joint-nozzle", "joint-corner", "nozzle-top"}, {"joint-board", "joint-corner", "board"}, {"nozzles", "nozzle-top", "nozzle-bottom"}} {
		add("two-answer-"+pair[0], "B-02", two(pair[1], pair[2]), heat(Expect{Bounded, "sensor_lost|sensor_erratic|sensor_frozen|heat_missing|joint_astray"}, nil), alike)
	}
	channel := func(k Kind, target, with string) Fault { return Fault{Kind: k, Target: target, With: with} }
	add("channel-far", "B-05", channel("converter_channel", "area-left", "neighbour"), heat(lost, nil), "none: the value jumps")
	add("channel-near", "B-05", channel("converter_channel", "area-ends", "area-right"), map[Phase]Expect{Preheat: {Bounded, "heat_missing|over_ceiling"}, Soak: {Bounded, "heat_missing|over_ceiling"}},
		"two emitters that are driven alike read alike: one of them is controlled by the other's couple. No known voltage is on a third input to tell")
	add("channel-meddled", "B-05", channel("converter_meddled", "area-ends", "area-right"), heat(lost, map[Phase]Expect{Idle: {Refused, "sensor"}}), "none: the register says so")
	return out
}

// driveCases are relays and contactors that work, wrongly (hazards P-03, P-07, P-08).
func driveCases() []Case {
	var out []Case
	for _, h := range []string{"top", "bottom", "left"} {
		stuck := Expect{R1, "relay_stuck"}
		out = append(out,
			Case{ID: "relay-half-" + h, Hazard: "P-03", Fault: Fault{Kind: "relay_half", Target: h}, In: map[Phase]Expect{Preheat: {Bounded, "heat_missing|over_ceiling"}, Soak: {Bounded, "heat_missing|over_ceiling"}},
				Residual: "half of the power is missing and current flows all the same: the run may fall behind; a head may be found too cold for its power"},
			Case{ID: "relay-half-stuck-" + h, Hazard: "P-03", Fault: Fault{Kind: "relay_half_stuck", Target: h},
				In:       heat(stuck, map[Phase]Expect{Before: {Refused, "trip:start_relay_stuck"}}),
				Residual: "as a relay that is stuck on, with half of the power"},
			Case{ID: "relay-chatters-" + h, Hazard: "P-08", Fault: Fault{Kind: "relay_chatters", Target: h, Value: 8},
				In:       map[Phase]Expect{Preheat: {Told, "relay_flutters|heat_missing|relay_open"}, Soak: {Told, "relay_flutters|heat_missing|relay_open"}},
				Residual: "half of the power is missing: where that is found too cold the run ends; the relay wears out"},
			Case{ID: "relay-inverted-" + h, Hazard: "P-07", Fault: Fault{Kind: "relay_inverted", Target: h},
				In:       heat(Expect{R1, "relay_stuck|relay_open"}, map[Phase]Expect{Before: {Refused, "trip:start_relay_stuck"}, Idle: {Refused, "trip:start_relay_stuck"}}),
				Residual: "at rest the contactor is open: there is no pulse at boot"})
	}
	return append(out,
		Case{ID: "contactor-slow", Hazard: "P-05", Fault: Fault{Kind: "contactor_slow", Value: 1}, In: map[Phase]Expect{Before: {Refused, "trip:start_no_contact"}, Soak: {Bounded, "contactor_welded"}},
			Residual: "in a run nothing shows it before it has to open; the relays are off by then"},
		Case{ID: "contactor-lazy", Hazard: "P-05", Fault: Fault{Kind: "contactor_slow", Value: 0.1}, In: map[Phase]Expect{Before: {Class: Told}, Soak: {Bounded, "contactor_welded"}},
			Residual: "a tenth of a second is what it is allowed"})
}

// mechanicalCases are nozzles, boards and parts that are not where everybody believes (hazards, S-05).
func mechanicalCases() []Case {
	in := func(e Expect) map[Phase]Expect { return map[Phase]Expect{Preheat: e, Soak: e, Reflow: e} }
	unseen := in(Expect{Bounded, "over_ceiling"})
	const byJoint = "the joint's thermocouple steers the heat all the same; without one the board would be a stranger before reflow"
	off := Expect{R5, "joint_astray|sensor_lost|over_ceiling"}
	return []Case{
		{ID: "nozzle-far", Hazard: "A-04", Fault: Fault{Kind: "nozzle_gap", Target: "top", Value: 0.5}, In: unseen, Residual: byJoint},
		{ID: "nozzle-near", Hazard: "A-04", Fault: Fault{Kind: "nozzle_gap", Target: "top", Value: 1.6}, In: unseen, Residual: byJoint + "; the package top keeps its ceiling"},
		{ID: "nozzle-below-far", Hazard: "A-04", Fault: Fault{Kind: "nozzle_gap", Target: "bottom", Value: 0.5}, In: unseen, Residual: byJoint},
		{ID: "nozzle-off-centre", Hazard: "A-04", Fault: Fault{Kind: "nozzle_off", Value: 15}, In: unseen, Residual: byJoint + "; balls on the far side stay colder than the measured one"},
		{ID: "board-heavier", Hazard: "A-05", Fault: Fault{Kind: "board_other", With: "server-24-layer"}, In: map[Phase]Expect{Before: {Bounded, "over_ceiling"}}, Residual: byJoint},
		{ID: "board-lighter", Hazard: "A-05", Fault: Fault{Kind: "board_other", With: "thin-4-layer"}, In: map[Phase]Expect{Before: {Bounded, "over_ceiling"}}, Residual: byJoint},
		{ID: "part-lifted", Hazard: "A-05", Fault: Fault{Kind: "part_lifted"}, In: in(Expect{Bounded, "joint_astray"}),
			Residual: "bare pads under the jet; the joint's thermocouple, which stays on them, steers on. On light boards it is found astray within half a minute, on heavy ones not"},
		{ID: "detached-in-jet", Hazard: "S-05", Fault: Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 0},
			In: map[Phase]Expect{Preheat: off, Soak: {Bounded, off.First}, Reflow: off, Lift: off}, Residual: "the joint stays colder than it reads: perhaps a lost run"},
		{ID: "detached-aside", Hazard: "S-05", Fault: Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 1},
			In: map[Phase]Expect{Preheat: {Bounded, off.First}, Soak: off, Reflow: off, Lift: off}, Residual: "the joint gets hotter than it reads for so long"},
		{ID: "detached-in-jet-known", Hazard: "S-05", Law: "full", Fault: Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 0}, In: in(Expect{Bounded, off.First}),
			Residual: "where the air is within some 12 °C of the joint it passes for the joint until the two part"},
		{ID: "detached-aside-known", Hazard: "S-05", Law: "full", Fault: Fault{Kind: "sensor_detached", Target: "joint-corner", Value: 1},
			In: map[Phase]Expect{Preheat: {R30, off.First}, Soak: off, Reflow: off}, Residual: "at most 2 °C of joint from held duty"},
		{ID: "slip-some-known", Hazard: "S-05", Law: "full", Fault: Fault{Kind: "sensor_slips", Target: "joint-corner", Value: -25}, In: in(Expect{R30, "joint_astray"}), Residual: "less than 12 °C passes for the joint"},
		{ID: "slip-slow-known", Hazard: "S-05", Law: "full", Fault: Fault{Kind: "sensor_drift", Target: "joint-corner", Value: -1}, In: in(Expect{R30, "joint_astray"}),
			Residual: "what creeps by less than some 5 °C between two fits takes the model with it"},
		{ID: "stranger", Hazard: "A-05", Shown: "sim/bench: TestARepeatWithoutAJointThermocouple", Residual: "another board in a run without a joint thermocouple: the run ends before reflow"},
	}
}
