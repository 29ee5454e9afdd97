package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"trivet/control/ident"
	"trivet/process/strict"
	"trivet/process/unit"
)

// mostStepRows is how many rows a step record may have: 14 hours at 10 Hz. With an input that changes on every row the fit of so
// many takes some 20 s; with a few steps it takes less than one.
const mostStepRows = 500_000

type identifyCmd struct {
	Step string `arg:"" help:"CSV with the columns time_s, input and temp_c, from before the step on."`
	JSON bool   `name:"json" help:"Print JSON."`
}

func (c *identifyCmd) Run(e *env) (err error) {
	e.exit, err = identify(c.Step, c.JSON, e.out)
	return err
}

// identify fits a process model to a step record and prints it with proposed settings, as text or as JSON. An error means
// that nothing was fitted; it says why.
func identify(path string, asJSON bool, out io.Writer) (exit int, err error) {
	data, err := readFile(path, mostLog)
	if err != nil {
		return exitBad, err
	}
	// Mistakes in a row are found here, with their line; FitStep then speaks of the record as a whole.
	step, err := parseStep(path, data)
	if err != nil {
		return exitBad, err
	}
	model, err := ident.FitStep(step)
	if err != nil {
		return exitBad, strict.Problems{{File: path, What: err.Error()}}
	}
	tuning, err := model.Tune()
	if err != nil {
		return exitBad, strict.Problems{{File: path, What: err.Error()}}
	}
	// Both forms are made from the same numbers; JSON has no place for standard errors and leaves them out.
	text := identified(path, len(step.Time), model, tuning)
	if asJSON {
		if text, err = json.MarshalIndent(identifiedJSON(model, tuning), "", "  "); err != nil {
			return exitBad, err
		}
		text = append(text, '\n')
	}
	// Nothing is written before everything is known, so a script never reads half a model.
	if _, err := out.Write(text); err != nil {
		return exitBad, err
	}
	return exitDone, nil
}

// identifiedWire is what --json prints. Gains are per unit of the input column: gain in K per unit, kc in units per K.
type identifiedWire struct {
	Model     string     `json:"model"` // first-order or second-order
	Gain      rounded    `json:"gain"`
	Tau1S     rounded    `json:"tau1_s"`
	Tau2S     rounded    `json:"tau2_s"` // 0 when there is no second lag
	DeadTimeS rounded    `json:"dead_time_s"`
	FitRMSC   rounded    `json:"fit_rms_c"`
	Tuning    tuningWire `json:"tuning"`
}

// tuningWire holds one proposal per kind of controller; the reader chooses, nothing is taken into use.
type tuningWire struct {
	PI  piWire  `json:"pi"`
	PID pidWire `json:"pid"`
}

// piWire is Kc(1 + 1/(Ti s)).
type piWire struct {
	Kc    rounded `json:"kc"`
	TiS   rounded `json:"ti_s"`
	TauCS rounded `json:"tau_c_s"` // the closed-loop time constant it aims at
}

// pidWire is the series form. td_s is 0 for a first-order model: SIMC then has no use for a derivative.
type pidWire struct {
	Form  string  `json:"form"` // series: Kc(1+1/(Ti s))(1+Td s); the numbers mean something else in the ideal form
	Kc    rounded `json:"kc"`
	TiS   rounded `json:"ti_s"`
	TdS   rounded `json:"td_s"`
	TauCS rounded `json:"tau_c_s"`
}

// rounded is printed with six significant digits: the rest is arithmetic and no knowledge.
type rounded float64

func (r rounded) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, float64(r), 'g', 6, 64), nil
}

func identifiedJSON(m ident.Model, t ident.Tuning) identifiedWire {
	return identifiedWire{
		Model: orderWord(m), Gain: rounded(m.Gain), Tau1S: rounded(m.Tau1), Tau2S: rounded(m.Tau2), DeadTimeS: rounded(m.DeadTime), FitRMSC: rounded(m.FitRMS),
		Tuning: tuningWire{
			PI:  piWire{rounded(t.PI.Kc), rounded(t.PI.Ti), rounded(t.PITauC)},
			PID: pidWire{"series", rounded(t.PID.Kc), rounded(t.PID.Ti), rounded(t.PID.Td), rounded(t.PIDTauC)},
		},
	}
}

// orderWord is the stable word for the kind of model.
func orderWord(m ident.Model) string {
	if m.Order == 2 {
		return "second-order"
	}
	return "first-order"
}

// identified is the same for people, with what the record leaves uncertain: each figure with one standard error, which holds for
// noise that is independent from row to row.
func identified(path string, rows int, m ident.Model, t ident.Tuning) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s: a %s model with dead time, from %d rows\n", path, orderWord(m), rows)
	fmt.Fprintf(&b, "  gain           %s °C per unit of the input\n", plusMinus(m.Gain, m.SE.Gain))
	fmt.Fprintf(&b, "  time constant  %s s\n", plusMinus(m.Tau1, m.SE.Tau1))
	if m.Order == 2 {
		fmt.Fprintf(&b, "  second         %s s\n", plusMinus(m.Tau2, m.SE.Tau2))
		// Two lags that lie close together can be told by their sum only; saying so beats two wide figures.
		if !(m.SE.Tau2 <= 0.1*m.Tau2) {
			fmt.Fprintf(&b, "  both together  %s s; the record hardly tells one from the other\n", plusMinus(m.Tau1+m.Tau2, m.SE.TauSum))
		}
	}
	fmt.Fprintf(&b, "  dead time      %s s\n", plusMinus(m.DeadTime, m.SE.DeadTime))
	fmt.Fprintf(&b, "  left over      %.3f °C rms, beside a drift of %.2f °C per minute\n", m.FitRMS, 60*m.Drift)
	// Both forms, because controllers differ and the same three numbers in the wrong one are a different tuning.
	ideal := t.PID.Ideal()
	// The caution belongs to the figures: whoever copies a setting has read it.
	fmt.Fprintf(&b, "proposed settings (SIMC), Kc in units of the input per °C:\n")
	fmt.Fprintf(&b, "  PI   Kc %.3g, Ti %.3g s, for a closed loop of %.3g s\n", t.PI.Kc, t.PI.Ti, t.PITauC)
	fmt.Fprintf(&b, "  PID  Kc %.3g, Ti %.3g s, Td %.3g s in the series form, for a closed loop of %.3g s\n", t.PID.Kc, t.PID.Ti, t.PID.Td, t.PIDTauC)
	fmt.Fprintf(&b, "       Kc %.3g, Ti %.3g s, Td %.3g s in the ideal form\n", ideal.Kc, ideal.Ti, ideal.Td)
	fmt.Fprintf(&b, "The ± is one standard error. Try a setting first at low temperature, on a board that may be spoiled, with the cut-offs armed and somebody at the machine.\n")
	return b.Bytes()
}

// plusMinus prints a figure with its standard error, both to the place where the error has two digits.
func plusMinus(v, se float64) string {
	if !(se > 0 && se < 1e9) {
		return fmt.Sprintf("%.4g (not told by this record)", v)
	}
	// Ten decimals of a gain per watt are possible; more than nine would be noise of the arithmetic.
	places := min(9, max(0, 1-int(math.Floor(math.Log10(se)))))
	return fmt.Sprintf("%.*f ± %.*f", places, v, places, se)
}

// stepColumns are the columns a step record must have, in the order of ident.Step.
var stepColumns = [...]string{"time_s", "input", "temp_c"}

// parseStep reads a step record: comma-separated, a header that names the columns in any order and case, others ignored, lines
// with # in front ignored. Every cell of the three must hold a number: a hole in a step record would be a guess in the fit.
// The error is of type strict.Problems and holds the first mistake with its line.
func parseStep(file string, data []byte) (ident.Step, error) {
	wrong := func(line int, key, what, allowed string) (ident.Step, error) {
		return ident.Step{}, strict.Problems{{File: file, Line: line, Key: key, What: what, Allowed: allowed}}
	}
	var s ident.Step
	into := [...]*[]float64{&s.Time, &s.Input, &s.Temp}
	var at [len(stepColumns)]int
	columns := 0
	// A byte-order mark and either line end are what spreadsheets write; everything else must be as described.
	rest := bytes.TrimPrefix(data, []byte("\ufeff"))
	for line := 1; len(rest) > 0; line++ {
		var text []byte
		text, rest, _ = bytes.Cut(rest, []byte("\n"))
		if text = bytes.TrimSpace(text); len(text) == 0 || text[0] == '#' {
			continue
		}
		// Quoted commas are not supported: none of the three columns can hold one, and a row with one is refused by its cells.
		cells := strings.Split(string(text), ",")
		if columns == 0 {
			columns = len(cells)
			for k, name := range stepColumns {
				if at[k] = column(cells, name); at[k] < 0 {
					return wrong(line, name, "no column has this name", "one header line with time_s, input and temp_c, separated by commas")
				}
			}
			continue
		}
		// A decimal comma shows up here: it makes two cells of one.
		if len(cells) != columns {
			return wrong(line, "", fmt.Sprintf("the row has %d cells", len(cells)), fmt.Sprintf("%d, as in the header; a point before decimals", columns))
		}
		if len(s.Time) == mostStepRows {
			return wrong(line, "", fmt.Sprintf("there are more than %d rows", mostStepRows), "fewer")
		}
		for k, name := range stepColumns {
			v, allowed := stepNumber(cells[at[k]], name)
			if allowed != "" {
				return wrong(line, name, fmt.Sprintf("is %.40q", strings.TrimSpace(cells[at[k]])), allowed)
			}
			// Two rows at one time say two things about one moment; neither is to be preferred.
			if n := len(s.Time); k == 0 && n > 0 && !(v > s.Time[n-1]) {
				return wrong(line, name, fmt.Sprintf("is %g after %g", v, s.Time[n-1]), "a later time on each row")
			}
			*into[k] = append(*into[k], v)
		}
	}
	if columns == 0 {
		return wrong(0, "", "the record is empty", "a header with time_s, input and temp_c, then rows")
	}
	return s, nil
}

// column returns the place of a name in a header, or -1.
func column(header []string, name string) int {
	for i, c := range header {
		if strings.EqualFold(strings.Trim(strings.TrimSpace(c), `"`), name) {
			return i
		}
	}
	return -1
}

// stepNumber reads a cell, and says what is allowed if it holds something else: °C for temp_c, s for time_s, any unit for input.
// An empty cell, "nan" and a logger's fault code are all refused, for none of them is a measurement.
func stepNumber(cell, name string) (v float64, allowed string) {
	v, err := strconv.ParseFloat(strings.Trim(strings.TrimSpace(cell), `"`), 64)
	// NaN parses as a number and fails each of the ranges below.
	if name == "temp_c" {
		// What no thermocouple near a heater can mean is a fault code, such as the 9999 some loggers write for an open input.
		if err != nil || !unit.Measured(0, unit.Celsius(v)).Usable() {
			return 0, "a temperature from -55 to 1000 °C on each row"
		}
		return v, ""
	}
	// Seconds since 1970 fit until the year 2096; no drive comes near.
	if err != nil || !(math.Abs(v) <= 4e9) {
		return 0, "a number of at most 4e9 on each row"
	}
	return v, ""
}
