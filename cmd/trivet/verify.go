package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"trivet/station/report"
	"trivet/store"
)

// mostVerified is how large a report or record to be verified may be, bytes: three hours of 48 columns at 10 Hz are some 45 MB.
const mostVerified = 512 << 20

type verifyCmd struct {
	File string `arg:"" optional:"" help:"A report, a record or a backup that this program has written." type:"path"`
	Data string `help:"Directory of records; every run and job in it is looked through, also while a station runs." type:"path"`
}

// Run says whether a file or a directory of records is as it was written.
func (c *verifyCmd) Run(e *env) (err error) {
	switch {
	case (c.File == "") == (c.Data == ""):
		return errors.New("name one thing to verify: a file, or --data with a directory of records")
	case c.Data != "":
		e.exit, err = verifyData(e.ctx, c.Data, e.out)
	default:
		e.exit, err = verifyFile(e.ctx, c.File, e.out)
	}
	return err
}

// verifyData looks through a directory of records.
func verifyData(ctx context.Context, dir string, out io.Writer) (exit int, err error) {
	r, err := store.OpenReader(ctx, dir)
	if err != nil {
		return exitBad, err
	}
	t, err := r.VerifyAll(ctx)
	if err := errors.Join(err, r.Close()); err != nil {
		return exitBad, err
	}
	return tellTested(out, dir, t), nil
}

// tellTested prints what was found.
func tellTested(out io.Writer, what string, t store.Tested) (exit int) {
	for _, f := range t.Faults {
		fmt.Fprintln(out, f)
	}
	said := "everything is as it was written"
	if n := len(t.Faults); n > 0 {
		said, exit = fmt.Sprintf("%d places are not as they were written", n), exitOutside
	}
	fmt.Fprintf(out, "%s: %d runs, %d jobs; %s.\n", what, t.Runs, t.Jobs, said)
	if t.Open > 0 {
		fmt.Fprintf(out, "Runs without an end: %d; what comes last in them cannot be missed.\n", t.Open)
	}
	if t.Unchained > 0 {
		fmt.Fprintf(out, "Runs of versions that kept no chain: %d; nothing can be said of them.\n", t.Unchained)
	}
	fmt.Fprintln(out, noKey)
	return exit
}

// noKey says what a chain without a key is worth.
const noKey = "This finds damage, mistakes and edits. Somebody who works out the whole chain anew is found only by a seal or a copy kept elsewhere."

// verifyFile looks at one file, by what it begins with.
func verifyFile(ctx context.Context, name string, out io.Writer) (exit int, err error) {
	data, err := readFile(name, mostVerified)
	if err != nil {
		return exitBad, err
	}
	switch {
	case bytes.HasPrefix(data, []byte{0x1f, 0x8b}):
		t, err := store.VerifyBackup(ctx, name)
		if err != nil {
			return exitBad, err
		}
		return tellTested(out, name, t), nil
	case bytes.HasPrefix(data, []byte("{")):
		return verifyRecord(name, data, nil, out)
	case bytes.HasPrefix(data, []byte("<")) || bytes.Contains(data, []byte(report.Format)):
		record, faults, err := report.Check(data)
		if err != nil {
			return exitBad, fmt.Errorf("%s: %w", name, err)
		}
		if len(record) == 0 && len(faults) == 0 {
			fmt.Fprintf(out, "%s: the file is as it was written. No chain was kept of its run, so nothing can be said of the record.\n", name)
			return exitDone, nil
		}
		return verifyRecord(name, record, faults, out)
	}
	return exitBad, fmt.Errorf("%s is no report, record or backup of this program; allowed: a file from trivet report or trivet backup", name)
}

// verifyRecord looks at an exported record; faults were found around it already.
func verifyRecord(name string, data []byte, faults []string, out io.Writer) (exit int, err error) {
	p, err := store.VerifyRecord(data)
	if err != nil && len(faults) == 0 {
		return exitBad, fmt.Errorf("%s: %w", name, err)
	}
	if err != nil {
		faults = append(faults, err.Error()+".")
	}
	if faults = append(faults, p.Faults...); len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintln(out, f)
		}
		fmt.Fprintf(out, "%s: not as it was written.\n", name)
		return exitOutside, nil
	}
	fmt.Fprintf(out, "%s: everything is as it was written, %d events and %d chunks of samples.\nSeal %s\n%s\n", name, p.Events, p.Chunks, p.Seal, noKey)
	return exitDone, nil
}

type backupCmd struct {
	Data string `required:"" help:"Directory of records; a station may be running on it." type:"path"`
	Out  string `required:"" help:"File to write; it must not exist." type:"path"`
}

// Run copies a directory of records into one file.
func (c *backupCmd) Run(e *env) error {
	if _, err := os.Lstat(c.Out); err == nil {
		return fmt.Errorf("%s: exists already; allowed: a new file", c.Out)
	}
	t, err := store.Backup(e.ctx, c.Data, c.Out)
	if err != nil {
		return err
	}
	info, err := os.Stat(c.Out)
	if err != nil {
		return err
	}
	e.exit = tellTested(e.out, c.Out, t)
	fmt.Fprintf(e.out, "%d kB. Pairings are not in it: after a restore everybody pairs anew.\n", (info.Size()+1023)/1024)
	return nil
}

type restoreCmd struct {
	File string `arg:"" help:"Backup." type:"path"`
	Data string `required:"" help:"New or empty directory for the records." type:"path"`
}

// Run unpacks a backup into a new directory of records.
func (c *restoreCmd) Run(e *env) error {
	t, err := store.Restore(e.ctx, c.File, c.Data)
	if err != nil {
		return err
	}
	e.exit = tellTested(e.out, filepath.Clean(c.Data), t)
	// Trips that owe an inspection are as of the backup; those since then are known to nobody but people.
	fmt.Fprintln(e.out, "What happened since the backup is not known here. Look the machine over before it heats, above all if it has tripped since.")
	return nil
}
