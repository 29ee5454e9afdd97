package main

import (
	"fmt"
	"strings"
	"syscall"
	"time"

	"trivet/sim/fault"
)

// commissioning is what this person sees of it on the page.
type commissioning struct {
	Needed   bool   `json:"needed"`
	Standing string `json:"standing"`
	Text     string `json:"text"`
	Do       string `json:"do"`
	Busy     bool   `json:"busy"`
	Steps    []struct {
		Title string `json:"title"`
		State string `json:"state"`
		Text  string `json:"text"`
	} `json:"steps"`
	Inputs struct {
		Active bool   `json:"active"`
		Ask    string `json:"ask"`
		At     int    `json:"at"`
		Text   string `json:"text"`
		List   []struct {
			Kind  string `json:"kind"`
			State string `json:"state"`
		} `json:"list"`
	} `json:"inputs"`
	Run struct {
		Active bool   `json:"active"`
		Step   string `json:"step"`
		Heater string `json:"heater"`
	} `json:"run"`
}

func (d *daemon) commissioning() (*commissioning, error) {
	var c commissioning
	return &c, d.get("/api/v1/commissioning", &c)
}

// faulty lists the steps that found something.
func (c *commissioning) faulty() string {
	var out []string
	for _, s := range c.Steps {
		if s.State == "faulty" {
			out = append(out, s.Title+": "+s.Text)
		}
	}
	return strings.Join(out, " / ")
}

// print shows it to people.
func (c *commissioning) print() {
	for _, s := range c.Steps {
		fmt.Printf("| commissioning: %-50s %-7s %s\n", s.Title, s.State, s.Text)
	}
	fmt.Printf("| commissioning: %s: %s %s\n", c.Standing, c.Text, c.Do)
}

// byHand moves each input when the program asks for it, as a person does.
func (s *stage) byHand(d *daemon) error {
	if err := d.post("/api/v1/commissioning/inputs", `{"do":"begin","by":"rig"}`); err != nil {
		return err
	}
	open := ""
	for deadline := time.Now().Add(2 * time.Minute); time.Now().Before(deadline); time.Sleep(300 * time.Millisecond) {
		c, err := d.commissioning()
		if err != nil {
			return err
		}
		if open != "" && c.Inputs.Ask != "open" {
			if _, err := s.world.Apply(fault.Fault{Kind: "interlock_open", Target: open}, false); err != nil {
				return err
			}
			open = ""
		}
		if !c.Inputs.Active {
			return nil
		}
		if c.Inputs.Ask == "open" && open == "" {
			open = c.Inputs.List[c.Inputs.At].Kind
			if _, err := s.world.Apply(fault.Fault{Kind: "interlock_open", Target: open}, true); err != nil {
				return err
			}
		}
	}
	return fmt.Errorf("the test of the inputs has no end")
}

// commissionRun begins the run that measures every channel and waits for its end.
func (s *stage) commissionRun(d *daemon) (*commissioning, error) {
	if err := d.post("/api/v1/commissioning/run", `{"by":"rig"}`); err != nil {
		return nil, err
	}
	if _, err := d.until("a commissioning run", 30*time.Second, func(now *status) bool { return now.State == "running" }); err != nil {
		return nil, err
	}
	began, said := time.Now(), ""
	for time.Since(began) < 90*time.Minute {
		time.Sleep(2 * time.Second)
		c, err := d.commissioning()
		if err != nil {
			return nil, err
		}
		if at := c.Run.Step + " " + c.Run.Heater; at != said && c.Run.Active {
			said = at
			fmt.Printf("| commissioning: %4.0f s %s\n", time.Since(began).Seconds(), at)
		}
		if !c.Run.Active && !c.Busy {
			fmt.Printf("| commissioning: %v in all\n", time.Since(began).Round(time.Second))
			return c, nil
		}
	}
	return nil, fmt.Errorf("the commissioning run has no end")
}

// uncommissioned begins with a machine that nobody has proven: no heat, two wrong wirings that are found, and a machine that is proven.
func (t *teller) uncommissioned(s *stage) error {
	d, err := begin(startLimit)
	if err != nil {
		return err
	}
	time.Sleep(3 * time.Second)
	now, err := d.look()
	if err != nil {
		return err
	}
	refused := d.post("/api/v1/runs", fmt.Sprintf(`{"profile":%q,"by":"rig"}`, s.profile()))
	t.check(refused != nil && strings.Contains(now.blocked(), "commission"), "a machine that was never commissioned gets no heat", fmt.Sprintf("not holding: %s; %v", now.blocked(), refused))
	if err := s.byHand(d); err != nil {
		return err
	}
	if err := s.calm(d); err != nil { // an emergency stop that was opened by hand has tripped, as it should
		return err
	}
	c, err := d.commissioning()
	if err != nil {
		return err
	}
	done := 0
	for _, i := range c.Inputs.List {
		if i.State == "proven" {
			done++
		}
	}
	t.check(done == len(s.file.Wiring.Interlocks), "each input is proven by opening it alone", fmt.Sprintf("%d of %d", done, len(s.file.Wiring.Interlocks)))
	if err := t.wrongly(s, d, "a dead blower", fault.Fault{Kind: "blower_dead", Target: "bottom"}, "ottom"); err != nil {
		return err
	}
	if err := t.wrongly(s, d, "a swapped pair of relays", fault.Fault{Kind: "relay_swapped", Target: "left", With: "right"}, "left", "right"); err != nil {
		return err
	}
	began := monotonic()
	if c, err = s.commissionRun(d); err != nil {
		return err
	}
	c.print()
	t.check(c.faulty() == "" && c.Standing == "unused", "commissioning of the healthy machine is complete and finds nothing wrong",
		fmt.Sprintf("%s in %v; %s", c.Standing, (monotonic()-began).Round(time.Second), c.faulty()))
	if err := d.end(syscall.SIGTERM); err != nil {
		return err
	}
	if d, err = begin(startLimit); err != nil {
		return err
	}
	if c, err = d.commissioning(); err != nil {
		return err
	}
	t.check(c.Standing == "sound", "after a new start the program works with what was found", c.Standing+": "+c.Text)
	if err := d.end(syscall.SIGTERM); err != nil {
		return err
	}
	t.spent(d)
	return t.lines(s, "commissioning, all in all")
}

// wrongly has a machine commissioned that is wired wrongly, and checks that it is found.
func (t *teller) wrongly(s *stage, d *daemon, promise string, f fault.Fault, want ...string) error {
	if _, err := s.world.Apply(f, true); err != nil {
		return err
	}
	c, err := s.commissionRun(d)
	if err != nil {
		return err
	}
	c.print()
	found := c.faulty()
	all := found != ""
	for _, w := range want {
		all = all && strings.Contains(found, w)
	}
	t.check(all, "commissioning finds "+promise, found)
	if _, err := s.world.Apply(f, false); err != nil {
		return err
	}
	return s.calm(d)
}
