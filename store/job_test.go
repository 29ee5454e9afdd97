package store

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"trivet/process/job"
	"trivet/process/moisture"
	"trivet/station"
)

var opened = time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)

func aJob(t testing.TB, id string, events int) *job.Job {
	t.Helper()
	j, err := job.Open(job.Opening{ID: id, At: opened, By: "A", Plan: job.Steps(), Board: job.Board{Type: "b"}, Part: job.Part{Type: "p", Body: moisture.Body{Level: "3", ThicknessMM: 2}}})
	if err != nil {
		t.Fatal(err)
	}
	for i := range events {
		if err := j.Add(job.Event{At: opened.Add(time.Duration(i) * time.Minute), By: "A", Kind: job.Noted, Text: fmt.Sprint("note ", i)}); err != nil {
			t.Fatal(err)
		}
	}
	return j
}

// keepJob writes a job as the API does, one event after the other.
func keepJob(t testing.TB, d *DB, j *job.Job) {
	t.Helper()
	if err := d.OpenJob(t.Context(), j); err != nil {
		t.Fatal(err)
	}
	for i, e := range j.Events {
		if err := d.AppendJob(t.Context(), j.Opening.ID, i, e); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAJobIsThereAfterTheNextStart(t *testing.T) {
	dir := t.TempDir()
	d, err := Open(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	keepJob(t, d, aJob(t, "J-1", 5))
	keepJob(t, d, aJob(t, "J-2", 0))
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if d, err = Open(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	j, err := d.Job(t.Context(), "J-1")
	if err != nil || len(j.Events) != 5 || j.Events[4].Text != "note 4" || !j.Opening.At.Equal(opened) {
		t.Errorf("%v, %+v", err, j)
	}
	list, err := d.Jobs(t.Context(), 10)
	if err != nil || len(list) != 2 {
		t.Errorf("%v, %d jobs", err, len(list))
	}
}

func TestAJobIsOpenedOnceAndGrowsAtItsEnd(t *testing.T) {
	d, err := Open(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	j := aJob(t, "J-1", 2)
	keepJob(t, d, j)
	var exists station.ErrJobExists
	if err := d.OpenJob(t.Context(), j); !errors.As(err, &exists) {
		t.Errorf("%v", err)
	}
	var moved station.ErrJobMoved
	if err := d.AppendJob(t.Context(), "J-1", 1, j.Events[1]); !errors.As(err, &moved) || moved.Has != 2 {
		t.Errorf("%v", err)
	}
	var none station.ErrNoJob
	if err := d.AppendJob(t.Context(), "J-9", 0, j.Events[0]); !errors.As(err, &none) {
		t.Errorf("%v", err)
	}
	if _, err := d.Job(t.Context(), "J-9"); !errors.As(err, &none) {
		t.Errorf("%v", err)
	}
}

func TestAnEditOfAJobIsFoundAndItsPlaceNamed(t *testing.T) {
	for change, want := range map[string]string{
		"UPDATE jobs SET opening=CAST(replace(opening, 'A', 'B') AS BLOB)":                         "opening",
		"UPDATE jobs SET utc='2026-05-05T10:00:00Z'":                                               "opening",
		"UPDATE job_events SET event=CAST(replace(event, 'note 2', 'note 9') AS BLOB) WHERE seq=2": "event 3 is not",
		"DELETE FROM job_events WHERE seq=1":                                                       "event 2 is missing",
		"UPDATE job_events SET seq=9 WHERE seq=4":                                                  "event 5 is missing",
		"UPDATE job_events SET chain=zeroblob(32) WHERE seq=0":                                     "event 1 is not",
	} {
		d, err := Open(t.Context(), t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		keepJob(t, d, aJob(t, "J-1", 5))
		if fault, err := d.VerifyJob(t.Context(), "J-1"); fault != "" || err != nil {
			t.Errorf("sound: %q, %v", fault, err)
		}
		if _, err := d.state.write.ExecContext(t.Context(), change); err != nil {
			t.Fatalf("%s: %v", change, err)
		}
		fault, err := d.VerifyJob(t.Context(), "J-1")
		if err != nil || !strings.Contains(fault, want) {
			t.Errorf("%s: %q, %v; want %q", change, fault, err, want)
		}
		var damaged station.ErrJobDamaged
		if _, err := d.Job(t.Context(), "J-1"); !errors.As(err, &damaged) {
			t.Errorf("%s: %v", change, err)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
}
