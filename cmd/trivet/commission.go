package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"trivet/api"
)

// commissionCmd leads a person through commissioning, against the station that runs on this computer. It decides nothing: the station asks,
// watches and refuses, and this program shows and passes on.
type commissionCmd struct {
	URL   string `name:"url" help:"Address of the station on this computer." default:"http://127.0.0.1:8420"`
	Token string `help:"Token of a pairing as supervisor. Without it the program pairs by the code that the station shows on its own computer, and ends that pairing again." env:"TRIVET_TOKEN"`
	By    string `help:"Who does it, for the record."`
	JSON  bool   `name:"json" help:"Print what is known as JSON at the end, and nothing else on standard output."`

	Status bool `help:"Say how things stand, and do nothing." xor:"what"`
	Inputs bool `help:"Test the inputs only." xor:"what"`
	Run1   bool `name:"run" help:"Begin with the run; the inputs stay as they were tested." xor:"what"`

	in   io.Reader     // os.Stdin
	wait time.Duration // between two looks
}

const cautions = `Commissioning moves contacts, blowers and heat. Before you begin:
  - An empty deck or a scrap board lies on the machine; nothing that melts or burns is near. Thermocouples for joints and parts may be bare.
  - Everything is at room temperature, the extraction runs, and somebody stays at the machine until the end, with the emergency stop in reach.
  - The wiring has been checked, with the mains off at the isolator, by a person qualified for it, according to local electrical code.
Trivet is a controller and no safety device. Ctrl-C ends the heat.
`

// Run leads through what is owed, and ends with a table. Outside its limits is whatever was found wrong, or left undone.
func (c *commissionCmd) Run(e *env) error {
	if c.in == nil {
		c.in = os.Stdin
	}
	if c.wait == 0 {
		c.wait = 300 * time.Millisecond
	}
	t, err := newTalk(e.ctx, c.URL)
	if err != nil {
		return err
	}
	g := &guide{cmd: c, talk: t, say: e.out, lines: make(chan string)}
	if c.JSON {
		g.say = e.errOut
	}
	if c.Status {
		return g.finish(e)
	}
	leave, err := g.enter()
	if err != nil {
		return err
	}
	defer leave()
	go g.listen()
	err = g.lead()
	if errors.Is(err, errLeft) {
		fmt.Fprintln(g.say, "Left as it is.")
		err = nil
	}
	if err != nil {
		return err
	}
	return g.finish(e)
}

// guide is one walk through commissioning.
type guide struct {
	cmd   *commissionCmd
	talk  *talk
	say   io.Writer
	lines chan string // what the person types
	told  string      // what was said last
	// undone is set by a run that did not come to its end.
	undone bool
}

// errLeft says that the person does not want to go on.
var errLeft = errors.New("left")

// enter pairs as supervisor and takes the controls, and returns how to give both back.
func (g *guide) enter() (leave func(), err error) {
	t := g.talk
	name := "trivet commission"
	if g.cmd.By != "" {
		name = g.cmd.By
	}
	if leave, err = t.enter(g.cmd.Token, name, "supervisor"); err != nil {
		return leave, err
	}
	if err := t.ask("POST", "/controls/take", struct{}{}, nil); err != nil {
		return leave, fmt.Errorf("somebody else holds the controls, so nothing can begin: %w", err)
	}
	return leave, nil
}

// listen passes on what the person types, until there is nothing more.
func (g *guide) listen() {
	s := bufio.NewScanner(g.cmd.in)
	for s.Scan() {
		select {
		case g.lines <- strings.TrimSpace(s.Text()):
		case <-g.talk.ctx.Done():
			return
		}
	}
	close(g.lines)
}

// look fetches how things stand.
func (g *guide) look() (v api.CommissioningView, err error) {
	return v, g.talk.ask("GET", "/commissioning", nil, &v)
}

// order gives a command with the care that each needs, from the newest state.
func (g *guide) order(path string, body map[string]any) error {
	if g.cmd.By != "" {
		body["by"] = g.cmd.By
	}
	return g.talk.order(path, body)
}

// until looks until something shows, for lagMost at most, and returns the last look.
func (g *guide) until(shows func(*api.CommissioningView) bool) (v api.CommissioningView, err error) {
	for end := time.Now().Add(lagMost); ; {
		if v, err = g.look(); err != nil || shows(&v) || time.Now().After(end) {
			return v, err
		}
		if _, err := g.heard(g.cmd.wait); err != nil {
			return v, err
		}
	}
}

// lagMost is how long the station may take to show what it has accepted, and to save what a person did.
const lagMost = 3 * time.Second

// tell says something once.
func (g *guide) tell(text string) {
	if text != "" && text != g.told {
		fmt.Fprintln(g.say, text)
		g.told = text
	}
}

// lead goes through what is owed.
func (g *guide) lead() error {
	v, err := g.look()
	if err != nil {
		return err
	}
	fmt.Fprint(g.say, cautions)
	g.tell(v.Text)
	tried := v.Steps[0].State == "done"
	if !g.cmd.Run1 && len(v.Inputs.List) > 0 && (g.cmd.Inputs || !tried) {
		if err := g.byHand(); err != nil {
			return err
		}
	}
	if g.cmd.Inputs {
		return nil
	}
	if err := g.unlatch(); err != nil {
		return err
	}
	return g.machine()
}

// byHand tests the inputs.
func (g *guide) byHand() error {
	if err := g.order("/commissioning/inputs", map[string]any{"do": "begin"}); err != nil {
		return err
	}
	fmt.Fprintln(g.say, "The inputs, one by one, by hand. No heat is possible meanwhile. Type skip for one that is not fitted or cannot be opened by hand, end to leave it.")
	// What is seen lags behind what was ordered by a tick and the record keeper.
	if _, err := g.until(func(v *api.CommissioningView) bool { return v.Inputs.Active }); err != nil {
		return err
	}
	for {
		v, err := g.look()
		if err != nil {
			return err
		}
		if !v.Inputs.Active {
			if v, err = g.until(func(v *api.CommissioningView) bool { return v.Steps[0].State != "owed" }); err != nil {
				return err
			}
			g.tell("Inputs: " + v.Steps[0].Text)
			if v.Steps[0].State != "done" && !g.cmd.Inputs {
				fmt.Fprintln(g.say, "With the mains off at the isolator, have the wires put right, then begin again.")
				return errLeft
			}
			return nil
		}
		g.tell(v.Inputs.Text)
		word, err := g.heard(g.cmd.wait)
		switch {
		case err != nil:
			_ = g.order("/commissioning/inputs", map[string]any{"do": "end"}) // a test that nobody moves hurts nothing
			return err
		case word == "skip" || word == "end":
			if err := g.order("/commissioning/inputs", map[string]any{"do": word}); err != nil {
				return err
			}
			if word == "end" {
				return errLeft
			}
		case word != "":
			fmt.Fprintln(g.say, "Type skip or end.")
		}
	}
}

// heard waits for a line, for so long; empty for none.
func (g *guide) heard(long time.Duration) (string, error) {
	t := time.NewTimer(long)
	defer t.Stop()
	select {
	case word, ok := <-g.lines:
		if !ok {
			g.lines = nil // nobody types any more; what is asked of the machine goes on
		}
		return strings.ToLower(word), nil
	case <-t.C:
		return "", nil
	case <-g.talk.ctx.Done():
		return "", g.talk.ctx.Err()
	}
}

// unlatch lets the person reset what a limiter that was tested has latched.
func (g *guide) unlatch() error {
	var s struct {
		Trip   uint32 `json:"trip_id"`
		Alarms []struct {
			Title string `json:"title"`
			Trip  uint32 `json:"trip_id"`
		} `json:"alarms"`
	}
	if err := g.talk.ask("GET", "/state", nil, &s); err != nil || s.Trip == 0 {
		return err
	}
	for _, a := range s.Alarms {
		if a.Trip != 0 {
			fmt.Fprintf(g.say, "Latched: %s.\n", a.Title)
		}
	}
	if err := g.typed("reset", "If that was your test, type reset. If not, find the cause first."); err != nil {
		return err
	}
	// A cause must have been gone for a second.
	for end := time.Now().Add(lagMost); ; {
		err := g.order("/reset", map[string]any{"trip_id": s.Trip})
		if err == nil || time.Now().After(end) {
			return err
		}
		if _, err := g.heard(g.cmd.wait); err != nil {
			return err
		}
	}
}

// typed waits for one word.
func (g *guide) typed(want, question string) error {
	fmt.Fprintln(g.say, question+" Anything else leaves it.")
	select {
	case word, ok := <-g.lines:
		if !ok || !strings.EqualFold(word, want) {
			return errLeft
		}
		return nil
	case <-g.talk.ctx.Done():
		return g.talk.ctx.Err()
	}
}

// finish prints what is known.
func (g *guide) finish(e *env) error {
	v, err := g.look()
	if err != nil {
		return err
	}
	if v.Standing != "sound" && v.Standing != "unused" || len(v.Result.Findings) > 0 || g.undone {
		e.exit = exitOutside
	}
	if g.cmd.JSON {
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		return enc.Encode(v)
	}
	return printCommissioning(e.out, &v)
}
