package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"trivet/process/job"
	"trivet/sim/catalog"
	"trivet/station"
	"trivet/station/report"
	"trivet/store"
)

type reportCmd struct {
	Run_   int64  `arg:"" name:"run" help:"Number of the run, as trivet runs lists it."`
	Data   string `required:"" help:"Directory of records; a station may be running on it." type:"path"`
	Out    string `help:"File to write: .html to read and print, .csv with what was measured, .json with the whole record and its chain. Without it the HTML goes to standard output." type:"path"`
	Format string `help:"html, csv or json; by the name of the file when left out." enum:",html,csv,json" default:""`
}

// Run writes what is kept of one run as a file.
func (c *reportCmd) Run(e *env) error {
	form := c.Format
	if form == "" {
		form = strings.TrimPrefix(strings.ToLower(filepath.Ext(c.Out)), ".")
	}
	r, err := store.OpenReader(e.ctx, c.Data)
	if err != nil {
		return err
	}
	defer r.Close()
	var data []byte
	switch form {
	case "", "html", "htm":
		data, err = reportOf(e.ctx, r, r.Jobs, c.Run_)
	case "csv":
		var channels []station.Channel
		var rows []station.Sample
		if channels, rows, err = r.Samples(e.ctx, c.Run_); err == nil {
			data = report.CSV(channels, rows)
		}
	case "json":
		data, err = r.Export(e.ctx, c.Run_)
	default:
		err = fmt.Errorf("%s: a report has no form %q; allowed: .html, .csv, .json, or --format", c.Out, form)
	}
	var none station.ErrNoRun
	if errors.As(err, &none) {
		return fmt.Errorf("there is no run %d in %s; trivet runs --data %s lists those there are", none.ID, c.Data, c.Data)
	}
	if err != nil {
		return err
	}
	if c.Out == "" {
		_, err = e.out.Write(data)
		return err
	}
	if err := os.WriteFile(c.Out, data, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(e.out, "%s, %d kB.", c.Out, (len(data)+1023)/1024)
	if form != "csv" { // which holds figures and no chain
		fmt.Fprintf(e.out, " Verify it with: trivet verify %s", c.Out)
	}
	_, err = fmt.Fprintln(e.out)
	return err
}

// exporter gives a run out with its chain; the store does, its stand-in in memory does not.
type exporter interface {
	Export(ctx context.Context, id int64) ([]byte, error)
}

// reportOf writes the report of one run; jobs may be nil.
func reportOf(ctx context.Context, a station.Archive, jobs func(context.Context, int) ([]*job.Job, error), id int64) ([]byte, error) {
	in := report.Input{Software: version}
	var err error
	if in.Run, err = a.Run(ctx, id); err != nil {
		return nil, err
	}
	if in.Channels, in.Rows, err = a.Samples(ctx, id); err != nil {
		return nil, err
	}
	if in.Events, err = a.Events(ctx, id); err != nil {
		return nil, err
	}
	if p, err := catalog.ParseProfile("profile", []byte(in.Run.Head.ProfileTOML)); err == nil {
		in.Profile = &p
	}
	if jobs != nil {
		if in.Job, err = jobOf(ctx, jobs, id); err != nil {
			return nil, err
		}
	}
	// A record without a chain, or one whose rows cannot all be read, still has a report; it then proves nothing and says so.
	if x, ok := a.(exporter); ok {
		if in.Record, err = x.Export(ctx, id); err == nil {
			p, err := store.VerifyRecord(in.Record)
			if in.Seal, in.Faults = p.Seal, p.Faults; err != nil {
				in.Faults = append(in.Faults, err.Error())
			}
		} else if in.Record = nil; ctx.Err() != nil {
			return nil, err
		}
	}
	return report.HTML(&in), nil
}

// mostJobsSearched is how many jobs are looked through for a run, newest first.
const mostJobsSearched = 500

// jobOf finds the job that a run belongs to; nil for none.
func jobOf(ctx context.Context, jobs func(context.Context, int) ([]*job.Job, error), run int64) (*job.Job, error) {
	list, err := jobs(ctx, mostJobsSearched)
	if err != nil {
		return nil, err
	}
	for _, j := range list {
		for i := range j.Events {
			if j.Events[i].Run == run {
				return j, nil
			}
		}
	}
	return nil, nil
}

// report writes a report for whoever asks the station.
func (r records) report(ctx context.Context, id int64) ([]byte, error) {
	if r.jobs == nil {
		return reportOf(ctx, r.Archive, nil, id)
	}
	return reportOf(ctx, exporting{r.Archive, r.jobs}, r.jobs.Jobs, id)
}

// exporting is the archive of a running station, whose runs are read through memory and disk, with the disk's way to give one out.
type exporting struct {
	station.Archive
	disk station.Jobs
}

// Export implements exporter.
func (x exporting) Export(ctx context.Context, id int64) ([]byte, error) {
	if d, ok := x.disk.(exporter); ok {
		return d.Export(ctx, id)
	}
	return nil, errors.New("these records cannot be given out")
}
