package main

// block shows who talks to whom, and where mains ends.
func block() string {
	s := newSheet(1200, 800, "1  The parts, and where mains ends",
		"On the left, at extra-low voltage: browser, computer, thermocouple amplifiers. In the middle the isolated paths: the hard-wired chain, the heartbeat one-shot, relay drivers and inputs. On the right, at mains voltage: isolator, residual-current device and breakers, series contactor, relay per heater with its fuse, load sense, thermal fuse, heater.")
	s.bed(24, 56, 372, 690, lowBed, low, "EXTRA-LOW VOLTAGE, the computer's supply")
	s.bed(826, 56, 350, 690, hotBed, hot, "MAINS, heat")
	s.says(611, 78, "middle", 13, quiet, "isolated paths between the two")

	s.box(50, 100, 320, 54, low, "Browser", "page, alarms, record; it asks, and never acts")
	s.box(50, 200, 320, 96, low, "Computer", "control loop 10 times a second", "safety goroutine with the last word", "supply of its own, fused")
	s.box(50, 466, 320, 62, low, "Thermocouple amplifiers", "quiet supply, isolated or one reference")
	s.box(50, 650, 320, 76, low, "Thermocouples", "joint, package, board,", "air of each head, area heaters")
	s.wire(low, 210, 154, 210, 200)
	s.says(220, 182, "start", 12.5, quiet, "network")
	s.arrow(low, 150, 650, 150, 528)
	s.arrow(low, 150, 466, 150, 296)
	s.says(160, 390, "start", 12.5, quiet, "SPI, I²C")

	s.box(470, 100, 282, 76, ink, "Hard-wired chain", "emergency stop, limiters, guard;", "needs no computer")
	s.box(470, 216, 282, 60, ink, "Heartbeat one-shot", "0.4–0.5 s; AC-coupled")
	s.box(470, 330, 282, 60, ink, "Relay drivers", "each pulled to OFF")
	s.box(470, 430, 282, 76, ink, "Isolated inputs", "interlocks, mirror contact,", "load senses, proofs of air")
	s.box(470, 560, 282, 76, ink, "Limiter per head and deck", "own sensor, own supply,", "reset by hand")

	for i, t := range [][]string{{"Isolator, lockable"}, {"Residual-current device,", "breaker per circuit"}, {"Series contactor"}, {"Fast fuse and relay", "per heater"}, {"Load sense", "per heater"}, {"Thermal fuse", "at the element"}, {"Heaters", "and, not behind the contactor, blowers"}} {
		y := 100 + i*90
		s.box(850, y, 302, 52, hot, t...)
		if i > 0 {
			s.arrow(hot, 1000, y-38, 1000, y)
		}
	}
	s.arrow(low, 370, 246, 470, 246)
	s.says(420, 238, "middle", 12, quiet, "2 lines")
	s.arrow(low, 370, 280, 430, 280, 430, 360, 470, 360)
	s.arrow(ink, 611, 176, 611, 216)
	s.arrow(ink, 752, 246, 790, 246, 790, 296, 850, 296)
	s.says(622, 200, "start", 12, quiet, "in series")
	s.says(798, 288, "start", 12, quiet, "coil")
	s.arrow(ink, 752, 360, 800, 360, 800, 396, 850, 396)
	s.arrow(ink, 850, 320, 770, 320, 770, 450, 752, 450)
	s.arrow(ink, 850, 486, 752, 486)
	s.arrow(low, 470, 446, 330, 446, 330, 296)
	s.wire(ink, 850, 660, 611, 660)
	s.arrow(ink, 611, 660, 611, 636)
	s.says(730, 652, "middle", 12, quiet, "heat, its own sensor")
	s.wire(ink, 470, 598, 446, 598, 446, 138)
	s.arrow(ink, 446, 138, 470, 138)
	s.dashed(hot, 850, 688, 370, 688)
	s.says(611, 706, "middle", 12, quiet, "heat, through the board")
	return s.String()
}

// chain shows what must be closed before anything can heat.
func chain() string {
	s := newSheet(1240, 640, "2  The heat-enable chain",
		"From a 24 volt supply of its own the coil of the series contactor is fed through emergency stop, a limiter for each head and for the area heaters, the guard contact and the contact of the heartbeat relay, all in series. Each contact has an auxiliary contact that the computer reads through an isolated input, and so has the contactor: its mirror contact.")
	const y = 150
	s.bed(24, 60, 1192, 210, lowBed, low, "CONTROL CIRCUIT, a supply of its own; works with the computer unplugged")
	s.says(48, y-18, "start", 13, low, "+ 24 V, own supply")
	s.wire(low, 48, y, 1120, y)
	s.fuse(low, 110, y)
	s.lines(110, y+32, "middle", 12.5, ink, "fuse")
	s.bed(24, 306, 892, 210, paper, low, "WHAT THE COMPUTER SEES: auxiliary contacts, through isolated inputs")
	s.wire(low, 48, 380, 48, 350, 785, 350)
	s.says(48, 400, "middle", 12.5, low, "3.3 V")
	for i, n := range [][]string{
		{"emergency stop,", "latching"}, {"limiter,", "top head"}, {"limiter,", "bottom head"}, {"limiter,", "area heaters"}, {"guard,", "door"},
	} {
		x := 230 + i*150
		s.opens(low, lowBed, x, y)
		s.dashed(quiet, x, y-2, x, 372)
		s.lines(x+8, y+32, "start", 12.5, ink, n...)
		s.wire(low, x-45, 350, x-45, 380, x+30, 380)
		s.dot(low, x-45, 350)
		s.opens(low, paper, x, 380)
		s.arrow(low, x+30, 380, x+30, 440)
	}
	s.patch(lowBed, 384, y+70, 316, 16)
	s.says(542, y+82, "middle", 12.5, quiet, "limiters: own sensor, own supply, reset by hand")
	s.closes(low, lowBed, 990, y)
	s.lines(976, y+32, "start", 12.5, ink, "heartbeat relay", "(drawing 3)")
	s.load(low, 1084, y, 22, "K1")
	s.lines(1084, y-26, "middle", 12.5, ink, "contactor")
	s.wire(low, 1106, y, 1160, y, 1160, 230)
	s.zero(low, 1160, 230)
	s.says(1160, 252, "middle", 12.5, low, "0 V")
	s.box(60, 440, 830, 52, low, "Isolated inputs", "closed loop: high. A broken wire reads as open, because each input is pulled down.")

	s.bed(940, 306, 276, 210, hotBed, hot, "MAINS")
	s.says(956, 366, "start", 13, hot, "L")
	s.wire(hot, 972, 362, 1180, 362)
	s.closes(hot, hotBed, 1060, 362)
	s.says(1040, 340, "end", 12.5, ink, "K1")
	s.says(1196, 384, "end", 12.5, hot, "to all heaters")
	s.dashed(quiet, 1060, 352, 1060, 442)
	s.wire(low, 980, 450, 1120, 450)
	s.opens(low, hotBed, 1060, 450)
	s.lines(1078, 474, "middle", 12.5, ink, "mirror contact: closed while", "K1 is open; its input is low then")
	s.lines(24, 546, "start", 13, ink,
		"Each contact opens when it acts and when its wire breaks. None of them is a switch of the program's: it can leave the chain open, never close it alone.",
		"Blowers are not behind K1: they run on when heat is gone. Releasing the emergency stop or closing the guard starts nothing.")
	return s.String()
}

// oneShot shows how the two safety lines hold the relay, and what makes it let go.
func oneShot() string {
	s := newSheet(1200, 780, "3  Heartbeat relay: a one-shot that only edges hold",
		"The heartbeat line goes through a capacitor and a rectifier into a retriggerable one-shot of 0.4 to 0.5 seconds; its output and the heat-enable line together drive a relay, whose contact is in the chain of drawing 2. Below, a timing diagram: edges hold the relay, a line that stays high or low, or a computer without supply, drops it.")
	s.bed(24, 56, 1152, 300, lowBed, low, "EXTRA-LOW VOLTAGE")
	s.box(48, 110, 170, 60, low, "Heartbeat line", "own line, own pull-down")
	s.box(48, 250, 170, 60, low, "Heat-enable line", "own line, own pull-down")
	s.wire(low, 218, 140, 470, 140)
	s.wire(low, 244, 140, 244, 164)
	s.upright(low, 244, 182)
	s.wire(low, 244, 200, 244, 222)
	s.zero(low, 244, 222)
	s.dot(low, 244, 140)
	s.capacitor(low, 320, 140)
	s.lines(320, 112, "middle", 12.5, ink, "blocks DC")
	s.diode(low, 410, 140)
	s.lines(384, 172, "start", 12.5, ink, "full-wave:", "both edges")
	s.box(470, 104, 230, 72, ink, "Retriggerable one-shot", "0.4–0.5 s after the last edge", "power-on: dropped")
	s.wire(low, 700, 140, 790, 140, 790, 186, 820, 186)
	s.wire(low, 218, 280, 790, 280, 790, 222, 820, 222)
	s.wire(low, 244, 280, 244, 296)
	s.upright(low, 244, 314)
	s.wire(low, 244, 332, 244, 342)
	s.zero(low, 244, 342)
	s.dot(low, 244, 280)
	s.box(820, 168, 70, 72, ink, "AND")
	s.wire(low, 890, 204, 950, 204)
	s.box(950, 170, 202, 68, ink, "Relay, isolated", "its contact: drawing 2")
	s.lines(500, 306, "start", 12.5, quiet, "Two one-shots, with their contacts in series, where a single fault must not hold it.")
	s.lines(500, 324, "start", 12.5, quiet, "Never fed from PWM, a kernel timer or a thread of its own: those outlive the fault.")

	const left, right = 200, 1160
	rows := []struct {
		y    int
		name string
	}{{420, "heartbeat"}, {500, "heat-enable"}, {580, "heartbeat relay"}, {660, "contactor"}}
	for _, r := range rows {
		s.says(left-16, r.y+16, "end", 13, ink, r.name)
		s.trace("#c9d2dc", 1, "", left, r.y+26, right, r.y+26)
	}
	s.pulses(left, right)
	return s.String()
}

// pulses draws the timing: 60 units are 0.1 s. Edges come from 0.2 s to 0.7 s and stop there with the line high.
func (s *sheet) pulses(left, right int) {
	const tick, tall = 60, 30
	beat := []int{left, 446}
	high := false
	for i := 2; i <= 7; i++ {
		x := left + i*tick
		beat = append(beat, x, level(446, tall, high))
		high = !high
		beat = append(beat, x, level(446, tall, high))
	}
	// An even number of edges ends low: one more takes it high, where it sticks.
	x := left + 8*tick
	beat = append(beat, x, level(446, tall, high), x, level(446, tall, true), right, level(446, tall, true))
	s.wire(low, beat...)
	on, drop, open := left+2*tick, left+8*tick+4*tick+tick/2, left+8*tick+4*tick+tick/2+tick/2
	s.wire(low, left, 526, left+2*tick, 526, left+2*tick, 496, right, 496)
	s.wire(ink, left, 606, on+6, 606, on+6, 576, drop, 576, drop, 606, right, 606)
	s.wire(hot, left, 686, on+tick/2, 686, on+tick/2, 656, open, 656, open, 686, right, 686)
	s.dashed(quiet, x, 408, x, 700)
	s.dashed(quiet, drop, 560, drop, 700)
	s.says(x, 400, "middle", 12.5, ink, "the program hangs here, the line stays high")
	s.says((x+drop)/2, 597, "middle", 12.5, ink, "0.4–0.5 s")
	s.says(open+8, 650, "start", 12.5, ink, "0.1 s more: no heat")
	s.says(left, 722, "start", 12.5, quiet, "one edge for each tick of 0.1 s that was completed, in time and safe; the line's level means nothing")
}

func level(base, tall int, high bool) int {
	if high {
		return base - tall
	}
	return base
}
