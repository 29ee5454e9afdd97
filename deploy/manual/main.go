// Command manual writes trivet's manual page from what the program says of itself, so that the two cannot differ. It runs the program with
// --help, once for each of its commands, and knows nothing else about it.
//
//	go run ./deploy/manual PROGRAM VERSION DATE >trivet.1
package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strings"
)

func main() {
	if len(os.Args) != 4 {
		fmt.Fprintln(os.Stderr, "manual: say which program, and version and date of the page: manual PROGRAM VERSION DATE")
		os.Exit(2)
	}
	w := bufio.NewWriter(os.Stdout)
	err := write(w, helpOf(os.Args[1]), os.Args[2], os.Args[3])
	if err == nil {
		err = w.Flush()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "manual:", err)
		os.Exit(1)
	}
}

// help returns what the program says of a command; of itself without one.
type help func(command ...string) (string, error)

func helpOf(program string) help {
	return func(command ...string) (string, error) {
		out, err := exec.Command(program, append(command, "--help")...).Output()
		if err != nil {
			return "", fmt.Errorf("%s %s --help: %w", program, strings.Join(command, " "), err)
		}
		return string(out), nil
	}
}

// entry matches a line of the list of commands, whose explanation may go on in lines that are indented further.
var entry = regexp.MustCompile(`(?m)^  ([a-z][a-z-]*(?: [a-z][a-z-]*)*)(?: .*)?$`)

// write writes the page. Commands are shown in the program's order, each as the program explains it.
func write(w io.Writer, ask help, version, date string) error {
	top, err := ask()
	if err != nil {
		return err
	}
	_, list, found := strings.Cut(top, "\nCommands:\n")
	if !found {
		return fmt.Errorf("the program's help has no list of commands")
	}
	fmt.Fprintf(w, ".TH TRIVET 1 %q %q %q\n", date, "trivet "+version, "User Commands")
	fmt.Fprint(w, `.SH NAME
trivet \- controller for rework of ball\-grid\-array parts
.SH SYNOPSIS
.B trivet
.I command
[\fIflags\fR]
.SH DESCRIPTION
Steers a home\-built or retrofitted rework heater by the solder joint, cuts the heat by rules of its own, keeps a record and judges the run.
.PP
Trivet is a controller, not a safety device, and is not assessed against any safety standard. Mains voltage, air at 400 degrees Celsius and
fumes: the wiring guide says what must be built around it, according to local electrical code, by a person qualified and, where required, licensed.
.SH COMMANDS
`)
	commands := entry.FindAllStringSubmatch(list, -1)
	if len(commands) == 0 {
		return fmt.Errorf("the program's help lists no command")
	}
	for _, c := range commands {
		name := strings.Fields(c[1])
		text, err := ask(name...)
		if err != nil {
			return err
		}
		fmt.Fprintf(w, ".SS %s\n.nf\n", plain(c[1]))
		for line := range strings.Lines(strings.TrimSpace(text)) {
			fmt.Fprintln(w, plain(strings.TrimRight(line, "\n")))
		}
		fmt.Fprintln(w, ".fi")
	}
	_, err = fmt.Fprint(w, `.SH EXIT STATUS
0 done and inside limits; 1 done, but a limit was missed or a trip happened; 2 bad input, or could not run.
.SH FILES
.TP
.I /etc/trivet/trivet.toml
configuration of the service
.TP
.I /var/lib/trivet
records of the service; they stay when the package is purged
.TP
.I /usr/share/doc/trivet
wiring guide, and examples of machine files
`)
	return err
}

// plain keeps troff from seeing anything but text.
func plain(line string) string {
	line = strings.NewReplacer(`\`, `\e`, "-", `\-`).Replace(line)
	if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
		line = `\&` + line
	}
	return line
}
