package main

// heater shows the load circuit of one heater, from the isolator to the element and its earth.
func heater() string {
	s := newSheet(1240, 640, "4  One heater's load circuit",
		"Line conductor through isolator, residual-current device, circuit breaker, main contact of the series contactor, fast fuse, solid-state relay with snubber and varistor, load sense, thermal fuse at the element, element, and back through the neutral, which isolator and residual-current device break too. Metal parts are on protective earth. On the control side the relay's input is pulled to off.")
	const y = 190
	s.bed(24, 56, 1192, 290, hotBed, hot, "MAINS")
	s.says(40, y+5, "start", 14, hot, "L")
	s.wire(hot, 56, y, 1120, y)
	s.box(76, y-34, 110, 68, hot, "Isolator", "lockable,", "all poles")
	s.box(206, y-34, 120, 68, hot, "Residual-", "current device,", "all poles")
	s.box(346, y-34, 96, 68, hot, "Breaker", "per circuit")
	s.closes(hot, hotBed, 490, y)
	s.lines(490, y+30, "middle", 12.5, ink, "K1", "contactor")
	s.fuse(hot, 570, y)
	s.lines(570, y+30, "middle", 12.5, ink, "fast fuse,", "I²t below", "the relay's")
	s.box(632, y-34, 130, 68, hot, "Relay", "solid-state,", "on a heat-sink")
	s.wire(hot, 616, y, 616, 118, 650, 118)
	s.wire(hot, 744, 118, 778, 118, 778, y)
	s.box(650, 98, 94, 40, hot, "snubber,", "varistor")
	s.dot(hot, 616, y)
	s.dot(hot, 778, y)
	s.box(800, y-26, 108, 52, hot, "Load sense", "isolated")
	s.fuse(hot, 962, y)
	s.lines(962, y+30, "middle", 12.5, ink, "thermal fuse,", "at the element")
	s.load(hot, 1066, y, 34, "heater")
	s.wire(hot, 1100, y, 1160, y, 1160, 310, 56, 310)
	s.says(40, 315, "start", 14, hot, "N")
	s.wire(hot, 131, 310, 131, y+34)
	s.wire(hot, 266, 310, 266, y+34)
	s.dot(hot, 131, 310)
	s.dot(hot, 266, 310)
	s.dashed(quiet, 1016, 158, 1116, 158, 1116, 228, 1016, 228, 1016, 158)
	s.wire("#3c7a1e", 1066, 228, 1066, 262)
	s.earth(1066, 266)
	s.lines(1042, 264, "end", 12.5, ink, "earth: nozzle, deck,", "board holder, housing")
	s.lines(1066, 146, "middle", 12.5, ink, "metal enclosure")

	s.bed(24, 384, 1192, 150, lowBed, low, "EXTRA-LOW VOLTAGE")
	s.dashed(quiet, 24, 365, 1216, 365)
	s.patch(paper, 52, 355, 400, 20)
	s.says(60, 370, "start", 12.5, quiet, "isolation, rated for mains by the parts that cross it")
	s.box(380, 430, 150, 56, low, "Output line", "of the computer")
	s.arrow(low, 530, 458, 697, 458, 697, y+34)
	s.wire(low, 580, 458, 580, 470)
	s.upright(low, 580, 488)
	s.wire(low, 580, 506, 580, 518)
	s.zero(low, 580, 518)
	s.dot(low, 580, 458)
	s.lines(598, 486, "start", 12.5, ink, "pulled", "to OFF")
	s.box(934, 430, 150, 56, low, "Input line", "of the computer")
	s.arrow(low, 854, y+26, 854, 458, 934, 458)
	s.lines(708, 424, "start", 12.5, ink, "active-high")
	s.lines(24, 562, "start", 13, ink,
		"One such circuit for each heater; K1, residual-current device and isolator are common. A relay that fails stays on: only K1 then takes the heat away.")
	return s.String()
}

// couples shows how thermocouples get to their amplifiers.
func couples() string {
	s := newSheet(1200, 720, "5  Thermocouples",
		"Three cases. First: an insulated junction, a twisted and screened extension cable of the same alloys, screen earthed at the amplifier's end only, amplifier beside its plug. Second: grounded junctions, each with an isolated amplifier. Third: amplifiers that are not isolated from each other share one reference, and then at most one junction may touch earthed metal.")
	row := func(y int, name, junction string) {
		s.says(24, y-46, "start", 14.5, ink, name)
		s.wire(hot, 60, y+16, 100, y)
		s.wire(hot, 60, y+16, 100, y+32)
		s.lines(78, y+62, "start", 12.5, ink, junction)
		s.wire(ink, 100, y, 560, y)
		s.wire(ink, 100, y+32, 560, y+32)
		for x := 150; x < 440; x += 40 {
			s.patch(paper, x, y-2, 20, 36)
			s.wire(ink, x, y, x+20, y+32)
			s.wire(ink, x, y+32, x+20, y)
		}
		s.box(530, y-14, 70, 60, ink, "plug")
	}
	const a, b, c = 130, 320, 510
	row(a, "A  Junction insulated from what it touches: the rule", "bead under tape or in a sheath that insulates it")
	s.dashed(low, 130, a-10, 480, a-10)
	s.dashed(low, 130, a+42, 480, a+42)
	s.wire(low, 480, a+42, 480, a+64)
	s.earth(480, a+68)
	s.lines(496, a+72, "start", 12.5, ink, "screen earthed here, and nowhere else")
	s.lines(150, a-18, "start", 12.5, quiet, "twisted, screened, the couple's own alloys up to the plug")
	s.wire(ink, 600, a, 660, a)
	s.wire(ink, 600, a+32, 660, a+32)
	s.box(660, a-20, 180, 72, low, "Amplifier", "as warm as its plug,", "filter as its maker says")
	s.arrow(low, 840, a+16, 960, a+16)
	s.box(960, a-20, 200, 72, low, "Computer", "SPI or I²C, under 0.3 m")

	row(b, "B  Junction on earthed metal: an isolated amplifier for each", "welded or pressed to earthed metal")
	s.wire("#3c7a1e", 60, b+16, 60, b+70)
	s.earth(60, b+74)
	s.wire(ink, 600, b, 660, b)
	s.wire(ink, 600, b+32, 660, b+32)
	s.box(660, b-20, 180, 72, low, "Amplifier", "on a supply that floats")
	s.box(876, b-20, 68, 72, ink, "barrier")
	s.lines(910, b+74, "middle", 12.5, ink, "isolates bus", "and supply")
	s.wire(low, 840, b+16, 876, b+16)
	s.arrow(low, 944, b+16, 980, b+16)
	s.box(980, b-20, 180, 72, low, "Computer")

	row(c, "C  Several amplifiers that are not isolated: one reference", "at most one of them on earthed metal")
	s.wire(ink, 600, c, 660, c)
	s.wire(ink, 600, c+32, 660, c+32)
	s.box(660, c-20, 180, 72, low, "Amplifier")
	s.box(660, c+76, 180, 44, low, "further amplifiers")
	s.wire(low, 840, c-6, 900, c-6, 900, c+98, 840, c+98)
	s.dot(low, 900, c+46)
	s.arrow(low, 840, c+26, 960, c+26)
	s.wire(low, 900, c+46, 930, c+46, 930, c+112)
	s.zero(low, 930, c+112)
	s.lines(944, c+108, "start", 12.5, ink, "one reference, at the amplifiers;", "from there one wire to earth")
	s.box(960, c-20, 200, 72, low, "Computer")
	s.lines(24, 668, "start", 13, ink, "Two junctions on earthed metal and one reference: the current between the two places flows through the couples, and reads as temperature.")
	return s.String()
}

// boot shows the lines from power-on to the first run.
func boot() string {
	s := newSheet(1200, 600, "6  From power-on to heat: what the lines do",
		"Timing from left to right: power-on, boot loader, kernel, program started, idle, start-up test, run, program killed. Heater lines are floating and held off by pull-downs until the program claims them low; heat-enable is low until the start-up test; the heartbeat moves only in the test and in a run; the contactor is open until then and opens again when the edges stop.")
	const left = 190
	marks := []struct {
		x    int
		name []string
	}{{left, []string{"power on"}}, {300, []string{"boot loader"}}, {420, []string{"kernel"}}, {540, []string{"program", "claims lines"}}, {660, []string{"start-up", "test"}}, {800, []string{"run"}}, {960, []string{"program", "killed"}}, {1080, []string{"behind it:", "all low"}}}
	for _, m := range marks {
		s.dashed(quiet, m.x, 112, m.x, 500)
		s.lines(m.x+4, 84, "start", 12.5, ink, m.name...)
	}
	row := func(y int, name string) {
		s.says(left-14, y+6, "end", 13, ink, name)
		s.trace("#c9d2dc", 1, "", left, y+18, 1176, y+18)
	}
	float := func(y int) {
		s.patch("#e3e8ee", left, y-2, 540-left, 18)
		s.says((left+540)/2, y+11, "middle", 12, ink, "floats: its pull-down holds it low")
		s.wire(low, 540, y+16, 660, y+16)
	}
	row(150, "heater lines")
	float(150)
	s.wire(low, 660, 166, 690, 166, 690, 142, 702, 142, 702, 166, 730, 166, 730, 142, 742, 142, 742, 166, 810, 166, 810, 142, 850, 142, 850, 166, 880, 166, 880, 142, 960, 142)
	s.dashed(low, 960, 142, 1080, 142)
	s.wire(low, 1080, 142, 1080, 166, 1176, 166)
	s.lines(966, 136, "start", 12, quiet, "may stay as it was")
	row(230, "heat-enable")
	float(230)
	s.wire(low, 660, 246, 700, 246, 700, 222, 960, 222)
	s.dashed(low, 960, 222, 1080, 222)
	s.wire(low, 1080, 222, 1080, 246, 1176, 246)
	row(310, "heartbeat")
	float(310)
	points := []int{660, 326, 700, 326}
	for x, up := 700, true; x < 956; x, up = x+12, !up {
		points = append(points, x, level(326, 24, up), x+12, level(326, 24, up))
	}
	s.wire(low, points...)
	s.dashed(low, 964, 326, 1080, 326)
	s.wire(low, 1080, 326, 1176, 326)
	row(390, "contactor")
	s.wire(hot, left, 406, 706, 406, 706, 382, 1010, 382, 1010, 406, 1176, 406)
	s.says(1084, 398, "start", 12, ink, "within 0.6 s")
	row(470, "heat possible")
	s.wire(hot, left, 486, 706, 486, 706, 462, 1010, 462, 1010, 486, 1176, 486)
	s.lines(24, 532, "start", 13, ink, "Until the start-up test the contactor is open whatever the lines do. A line that is driven by the boot loader heats nothing.")
	return s.String()
}
