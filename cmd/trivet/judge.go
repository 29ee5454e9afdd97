package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"

	"trivet/process"
	"trivet/process/logfile"
	"trivet/process/unit"
)

// mostLog is how large a log may be, bytes: two million rows of a dozen columns.
const mostLog = 512 << 20

// judgeArgs is what `trivet judge` was asked.
type judgeArgs struct {
	Log       string
	Alloy     string
	Kind      string   // empty: placement, which asks most of a joint
	BodyLimit *float64 // °C; nil when nobody said
	JSON      bool
}

// judge judges a recorded log and prints the verdict, as a table or as JSON. An error means that nothing was judged.
func judge(args judgeArgs, out io.Writer) (exit int, err error) {
	// What was asked is checked before the log is read: a slip in the alloy should not wait for a long file.
	window, err := args.window()
	if err != nil {
		return exitBad, err
	}
	data, err := readFile(args.Log, mostLog)
	if err != nil {
		return exitBad, err
	}
	trace, err := logfile.Parse(args.Log, data)
	if err != nil {
		return exitBad, err
	}
	verdict, err := process.Judge(trace, window)
	if err != nil {
		return exitBad, fmt.Errorf("%s: %w", args.Log, err)
	}
	text := []byte(verdict.Table())
	if args.JSON {
		if text, err = json.MarshalIndent(verdict, "", "  "); err != nil {
			return exitBad, err
		}
		text = append(text, '\n')
	}
	if _, err := out.Write(text); err != nil {
		return exitBad, err
	}
	// A missed limit is a result and not an error; scripts tell them apart by the exit status.
	if !verdict.Pass {
		return exitOutside, nil
	}
	return exitDone, nil
}

// window returns what to judge against.
func (a judgeArgs) window() (process.Window, error) {
	alloy, err := process.FindAlloy(a.Alloy)
	if err != nil {
		return process.Window{}, err
	}
	kind := process.Placement
	if a.Kind != "" {
		if kind, err = process.ParseKind(a.Kind); err != nil {
			return process.Window{}, err
		}
	}
	if a.BodyLimit == nil {
		return process.WindowFor(kind, alloy, nil), nil
	}
	limit := unit.Celsius(*a.BodyLimit)
	if !(limit >= 100 && limit <= 400) {
		return process.Window{}, fmt.Errorf("--body-limit is %g; allowed: 100 to 400 °C", *a.BodyLimit)
	}
	return process.WindowFor(kind, alloy, &limit), nil
}

// readFile reads a file of at most most bytes.
func readFile(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s: is a directory; allowed: a file", path)
	}
	// Read with a limit instead of trusting the size: a pipe has none, and a file may grow.
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("%s: the file is too large; allowed: at most %d MB", path, most>>20)
	}
	return data, nil
}
