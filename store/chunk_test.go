package store

import (
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"trivet/process/unit"
	"trivet/station"
)

func TestANumberThatIsNoNumberIsNeverKeptAsGood(t *testing.T) {
	s := sample(0)
	s.Values[0], s.Values[1] = float32(math.NaN()), float32(math.Inf(1))
	s.Values[2], s.Quality[2] = 123, unit.Stale
	c, err := pack(1, 3, []station.Sample{s})
	if err != nil {
		t.Fatal(err)
	}
	got, err := c[0].unpack(nil)
	if err != nil {
		t.Fatal(err)
	}
	for k, want := range []unit.Quality{unit.OutOfRange, unit.OutOfRange, unit.Stale} {
		if got[0].Quality[k] != want || got[0].Values[k] != 0 {
			t.Errorf("column %d: %v with value %g; want %v without a value", k, got[0].Quality[k], got[0].Values[k], want)
		}
	}
}

func TestEveryFlippedByteOfAChunkIsFound(t *testing.T) {
	c, err := pack(7, 3, samples(40, 20))
	if err != nil {
		t.Fatal(err)
	}
	for i := range c[0].data {
		bad := c[0]
		bad.data = append([]byte(nil), c[0].data...)
		bad.data[i] ^= 0x10
		if got, err := bad.unpack(nil); err == nil || len(got) > 0 {
			t.Fatalf("byte %d flipped: %d samples, error %v", i, len(got), err)
		}
	}
	for what, bad := range map[string]chunk{
		"other run":   {8, 40, 20, 3, c[0].last, c[0].crc, c[0].data},
		"other place": {7, 41, 20, 3, c[0].last, c[0].crc, c[0].data},
		"more rows":   {7, 40, 1<<31 - 1, 3, c[0].last, c[0].crc, c[0].data},
		"no rows":     {7, 40, 0, 3, c[0].last, c[0].crc, nil},
		"wide":        {7, 40, 20, 1<<31 - 1, c[0].last, c[0].crc, c[0].data},
		"cut":         {7, 40, 20, 3, c[0].last, c[0].crc, c[0].data[:len(c[0].data)-1]},
	} {
		if got, err := bad.unpack(nil); err == nil || len(got) > 0 {
			t.Errorf("%s: %d samples, error %v", what, len(got), err)
		}
	}
}

func FuzzUnpackNeverPanicsOnAnyBytes(f *testing.F) {
	c, err := pack(1, 3, samples(0, 3))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(int64(1), uint64(0), 3, 3, c[0].crc, c[0].data)
	f.Fuzz(func(t *testing.T, run int64, first uint64, n, columns int, crc uint32, data []byte) {
		c := chunk{run: run, first: first, samples: n, columns: columns, crc: crc, data: data}
		if got, err := c.unpack(nil); err != nil && len(got) > 0 {
			t.Fatal("samples together with an error")
		}
		c.crc = c.sum() // let the fuzzer past the check
		if got, err := c.unpack(nil); err != nil && len(got) > 0 {
			t.Fatal("samples together with an error")
		}
	})
}

func TestADamagedChunkIsLeftOutAndCounted(t *testing.T) {
	ctx, d := t.Context(), open(t, t.TempDir())
	id := must[int64](t)(d.Begin(ctx, head()))
	for i := range uint64(5) {
		if err := d.Append(ctx, id, samples(i*10, 10)); err != nil {
			t.Fatal(err)
		}
	}
	var blob []byte
	if err := d.samples.write.QueryRow("SELECT data FROM chunks WHERE first_seq=20").Scan(&blob); err != nil {
		t.Fatal(err)
	}
	blob[3] ^= 1
	if _, err := d.samples.write.Exec("UPDATE chunks SET data=? WHERE first_seq=20", blob); err != nil {
		t.Fatal(err)
	}
	r := must[station.RunRecord](t)(d.Run(ctx, id))
	if r.Bad != 1 || r.Samples != 40 {
		t.Errorf("%d damaged chunks and %d samples; want 1 and 40", r.Bad, r.Samples)
	}
	_, got, err := d.Samples(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(append(samples(0, 20), samples(30, 20)...), got); diff != "" {
		t.Errorf("the sound chunks must read back as they were:\n%s", diff)
	}
}

func TestAFileWithFlippedBytesGivesRightSamplesOrNone(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	d := open(t, dir)
	id := must[int64](t)(d.Begin(ctx, head()))
	for i := range uint64(40) {
		if err := d.Append(ctx, id, samples(i*50, 50)); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(d.End(ctx, id, station.RunEnd{State: station.Complete}), d.Close()); err != nil {
		t.Fatal(err)
	}
	clean, err := os.ReadFile(filepath.Join(dir, "samples.db"))
	if err != nil {
		t.Fatal(err)
	}
	seed, lost := uint64(1), 0
	for trial := range 40 {
		bad := append([]byte(nil), clean...)
		for range 4 {
			seed = seed*6364136223846793005 + 1442695040888963407 // Knuth's MMIX generator, from memory: any will do
			var b [8]byte
			binary.LittleEndian.PutUint64(b[:], seed)
			bad[seed>>20%uint64(len(bad))] ^= b[7] | 1
		}
		if err := os.WriteFile(filepath.Join(dir, "samples.db"), bad, 0o600); err != nil {
			t.Fatal(err)
		}
		d, err := Open(ctx, dir)
		if err != nil {
			continue // refused with a reason: allowed, it is not a lie
		}
		_, got, err := d.Samples(ctx, id)
		for i := range got {
			if got[i] != sample(got[i].Seq) {
				t.Fatalf("trial %d: sample %d is not what was written", trial, got[i].Seq)
			}
		}
		if err != nil || len(got) < 2000 {
			lost++
		}
		d.Close()
		for _, tail := range []string{"-wal", "-shm"} {
			os.Remove(filepath.Join(dir, "samples.db"+tail))
		}
	}
	if lost == 0 {
		t.Error("no trial damaged a sample: the test shows nothing")
	}
}
