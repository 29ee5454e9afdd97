package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// hand runs the program that reads every sensor through the nodes, for so long, and returns what it printed.
func hand(long time.Duration) (string, error) {
	out, err := exec.Command("/bin/hand", machineFile, long.String()).CombinedOutput()
	for _, l := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		fmt.Println("|", l)
	}
	return string(out), err
}

var sensorLine = regexp.MustCompile(`sensor (\S+) (-?[0-9.]+) °C`)

// nodes checks the way from the real drivers to the chip models through device nodes, with nothing switched on.
func (t *teller) nodes(r *stage) error {
	out, err := hand(2500 * time.Millisecond)
	if err != nil {
		return fmt.Errorf("hand: %w", err)
	}
	good, worst := 0, 0.0
	for _, m := range sensorLine.FindAllStringSubmatch(out, -1) {
		if v, err := strconv.ParseFloat(m[2], 64); err == nil {
			good++
			worst = max(worst, abs(v-room))
		}
	}
	want := len(r.file.Wiring.Sensors)
	t.check(good == want, "every sensor reads through its device node", fmt.Sprintf("%d of %d", good, want))
	t.check(good > 0 && worst < 4, "at rest every sensor reads the room", fmt.Sprintf("at most %.2f °C from %.0f °C", worst, room))
	n := len(r.file.Wiring.Interlocks)
	t.check(strings.Contains(out, fmt.Sprintf("interlocks closed %d of %d", n, n)), "every closed contact reads as closed", strconv.Itoa(n))

	first := exec.Command("/bin/hand", machineFile, "3s")
	if err := first.Start(); err != nil {
		return err
	}
	time.Sleep(1500 * time.Millisecond)
	out, err = hand(time.Second)
	t.check(err != nil && strings.Contains(out, "trivet"), "a second program is refused the lines, and told who has them", lastLine(out))
	if err := first.Wait(); err != nil {
		return fmt.Errorf("the first program: %w", err)
	}

	spi := r.file.Wiring.Sensors[0].Bus
	if err := r.world.Unplug(spi); err != nil {
		return err
	}
	_, statErr := os.Stat("/dev/spidev" + strings.TrimPrefix(spi, "SPI"))
	t.check(os.IsNotExist(statErr), "a chip whose node is taken away is gone", fmt.Sprint(statErr))
	out, err = hand(time.Second)
	t.check(err != nil && strings.Contains(out, spi), "a machine whose chip's node is missing does not start, and says which", lastLine(out))
	return r.world.Plug(spi)
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

func lastLine(s string) string {
	all := strings.Split(strings.TrimSpace(s), "\n")
	return all[len(all)-1]
}
