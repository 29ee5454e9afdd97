package store

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"trivet/station"
)

// childDir names the environment variable that makes this test binary a recorder which writes until it is killed.
const childDir = "TRIVET_STORE_TEST_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		fmt.Fprintln(os.Stderr, recordForever(dir))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// recordForever begins a run and reports each chunk on standard output after Append has returned, without any buffer.
func recordForever(dir string) error {
	ctx := context.Background()
	d, err := Open(ctx, dir)
	if err != nil {
		return err
	}
	id, err := d.Begin(ctx, head())
	if err != nil {
		return err
	}
	for next := uint64(0); ; next += 20 {
		if err := d.Append(ctx, id, samples(next, 20)); err != nil {
			return err
		}
		if next%200 == 0 {
			if err := d.Event(ctx, id, station.RunEvent{Code: "mark", Text: strconv.FormatUint(next, 10)}); err != nil {
				return err
			}
		}
		if _, err := fmt.Fprintf(os.Stdout, "%d %d\n", id, next+20); err != nil {
			return err
		}
	}
}

func TestNothingThatWasReportedKeptIsLostByAKill(t *testing.T) {
	if testing.Short() {
		t.Skip("starts and kills processes")
	}
	const kills = 24
	dir, most := t.TempDir(), uint64(0)
	for i := range kills {
		id, kept := recordUntilKilled(t, dir, time.Duration(3+i*7)*time.Millisecond)
		most = max(most, kept)
		d := open(t, dir)
		for _, f := range []*file{d.state, d.samples} {
			var verdict string
			if err := f.write.QueryRow("PRAGMA integrity_check").Scan(&verdict); err != nil || verdict != "ok" {
				t.Fatalf("kill %d: %s: %s, %v", i, f.path, verdict, err)
			}
		}
		r := must[station.RunRecord](t)(d.Run(t.Context(), id))
		if r.End.Code != "power_lost" || r.Bad != 0 {
			t.Errorf("kill %d: run %d ended %q with %d damaged chunks; want power_lost and 0", i, id, r.End.Code, r.Bad)
		}
		_, got, err := d.Samples(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if uint64(len(got)) < kept {
			t.Errorf("kill %d: %d samples kept, but %d were reported kept", i, len(got), kept)
		}
		for n := range got {
			if got[n] != sample(uint64(n)) {
				t.Fatalf("kill %d: place %d holds sample %d, or other numbers than were given", i, n, got[n].Seq)
			}
		}
		if len(got)%20 != 0 {
			t.Errorf("kill %d: %d samples: part of an Append was kept", i, len(got))
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if most < 200 {
		t.Errorf("no child kept more than %d samples before its end: the test shows little", most)
	}
	if n := len(must[[]station.RunRecord](t)(open(t, dir).Runs(t.Context(), 1000))); n != kills {
		t.Errorf("%d runs are listed; want %d", n, kills)
	}
}

// recordUntilKilled starts a recorder, kills it some time after its first chunk, and returns the run's number and how
// many samples it had reported kept.
func recordUntilKilled(t *testing.T, dir string, after time.Duration) (id int64, kept uint64) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	var said strings.Builder
	cmd.Stderr = &said
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	first := make(chan struct{})
	go func() {
		<-first
		time.Sleep(after)
		_ = cmd.Process.Kill() // SIGKILL: no handler, no deferred call, no flush
	}()
	lines := bufio.NewReader(out)
	for {
		line, err := lines.ReadString('\n')
		if err != nil { // a line without its end was cut by the kill
			if err != io.EOF {
				t.Fatal(err)
			}
			break
		}
		if kept == 0 {
			close(first)
		}
		if _, err := fmt.Sscanf(line, "%d %d", &id, &kept); err != nil {
			t.Fatal(err)
		}
	}
	_ = cmd.Wait()
	if kept == 0 {
		close(first)
		t.Fatalf("the recorder said nothing: %s", said.String())
	}
	return id, kept
}
