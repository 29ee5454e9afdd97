// Command trivet runs a rework station, and benches it in simulation.
//
// Everything is wired here, and only here.
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
)

// Exit statuses, as scripts rely on them.
const (
	exitDone    = 0 // done and inside limits
	exitOutside = 1 // done, but a limit was missed or a trip happened
	exitBad     = 2 // bad input, or could not run
)

// version is set by the build with -ldflags "-X main.version=…".
var version = "dev"

type commands struct {
	Serve    serveCmd       `cmd:"" help:"Run the station and its page."`
	Pair     pairCmd        `cmd:"" help:"Print the code that pairs a browser or program with the station running on this computer; list pairings, or end one."`
	Simulate simulateCmd    `cmd:"" help:"One bench run, faster than real time; or the transient of a thermal network."`
	Sweep    sweepCmd       `cmd:"" help:"The same scenario over boards drawn at random: median, 95th percentile and worst of every figure."`
	Compare  compareCmd     `cmd:"" help:"Several laws on one board: a table, and with --out one chart."`
	Job      jobCmd         `cmd:"" help:"The jobs of the shop: what is owed, what was done, and the start of a step's run."`
	Judge    judgeCmd       `cmd:"" help:"Judge a recorded temperature log against the process window."`
	Identify identifyCmd    `cmd:"" help:"Fit a process model to a step record, and propose settings."`
	Check    checkCmd       `cmd:"" help:"Check a configuration, machine, board, profile, scenario or network file."`
	Probe    probeCmd       `cmd:"" help:"List the buses, lines and chips of this computer and what the sensors read; changes nothing."`
	Advise   adviseCmd      `cmd:"" help:"How to set a board up on a machine: area heaters, nozzle, body limit."`
	Fault    faultCmd       `cmd:"" help:"The table of faults, and one of them on a simulated machine."`
	Safe     safeOutputsCmd `cmd:"" name:"safe-outputs" help:"Drive every output of the configured machine low; for the service manager."`
	Think    thinkChildCmd  `cmd:"" name:"think-child" hidden:""`
	Runs     runsCmd        `cmd:"" help:"The runs in a directory of records; with --compare how alike they are, and what drifts."`
	Report   reportCmd      `cmd:"" help:"What is kept of one run, as one file: HTML to read and print on two sheets, CSV, or the record as JSON."`
	Verify   verifyCmd      `cmd:"" help:"Whether a directory of records, a report, a record or a backup is as it was written; names what is not."`
	Backup   backupCmd      `cmd:"" help:"Copy a directory of records into one file, also in mid-run."`
	Restore  restoreCmd     `cmd:"" help:"Unpack a backup into a new directory of records, and verify it there."`
	Version  versionCmd     `cmd:"" help:"Print the version."`

	Commission commissionCmd `cmd:"" help:"Lead a person through proving the machine channel by channel, with the station running on this computer."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// env is what every command gets besides its own flags.
type env struct {
	ctx    context.Context
	out    io.Writer
	errOut io.Writer
	exit   int
}

// run is the whole program apart from the process it lives in; tests call it.
func run(ctx context.Context, args []string, out, errOut io.Writer) int {
	var c commands
	e := &env{ctx: ctx, out: out, errOut: errOut}
	ended := -1
	parser, err := kong.New(&c, kong.Name("trivet"), kong.Description("Controls a home-built or retrofitted rework heater by the solder joint."),
		kong.Writers(out, errOut), kong.Exit(func(code int) { ended = code }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err != nil {
		fmt.Fprintln(errOut, "trivet:", err)
		return exitBad
	}
	k, err := parser.Parse(args)
	if ended >= 0 {
		return ended // help was asked for
	}
	if err != nil {
		fmt.Fprintf(errOut, "trivet: %v; see trivet --help\n", err)
		return exitBad
	}
	if err := k.Run(e); err != nil {
		complain(errOut, err)
		return exitBad
	}
	return e.exit
}

// placed matches a message that begins with file and line.
var placed = regexp.MustCompile(`^[^ ]+:\d+: `)

// complain prints an error as lines that say file, line, what is wrong and what is allowed, without a prefix when the
// error already names its file.
func complain(w io.Writer, err error) {
	text := strings.TrimSpace(err.Error())
	if placed.MatchString(text) {
		fmt.Fprintln(w, text)
		return
	}
	fmt.Fprintln(w, "trivet:", text)
}

type versionCmd struct{}

func (versionCmd) Run(e *env) error {
	fmt.Fprintln(e.out, "trivet", version)
	return nil
}

type judgeCmd struct {
	Log   string   `arg:"" help:"Log of any recorder: a header with a time and one or more temperature columns; commas, semicolons or tabs."`
	Alloy string   `required:"" help:"Solder alloy, for example SAC305 or Sn63Pb37."`
	Kind  string   `default:"removal" help:"Kind of run: removal, placement or reball."`
	Body  *float64 `name:"body-limit" help:"What the part's body may reach, °C."`
	JSON  bool     `name:"json" help:"Print JSON."`
}

func (c *judgeCmd) Run(e *env) (err error) {
	e.exit, err = judge(judgeArgs{Log: c.Log, Alloy: c.Alloy, Kind: c.Kind, BodyLimit: c.Body, JSON: c.JSON}, e.out)
	return err
}

type checkCmd struct {
	File string `arg:"" help:"File to check."`
}

func (c *checkCmd) Run(e *env) (err error) {
	e.exit, err = check(c.File, e.out)
	return err
}
