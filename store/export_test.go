package store

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"trivet/station"
)

// Whatever single byte of an exported record is changed, by one bit or into another letter: it is named, or the file cannot be read.
func TestEveryByteOfAnExportedRecordIsCovered(t *testing.T) {
	d, ctx := open(t, t.TempDir()), t.Context()
	defer d.Close()
	id := must[int64](t)(d.Begin(ctx, station.RunHead{Kind: "removal", ProfileTOML: "name = \"a\"\n", By: "Kim", Channels: []station.Channel{{Name: "joint", Unit: "°C", Kind: "sensor"}}}))
	one := station.Sample{N: 1}
	two := station.Sample{N: 1, Seq: 1, At: time.Second}
	err := errors.Join(d.Append(ctx, id, []station.Sample{one}), d.Event(ctx, id, event(1)), d.Append(ctx, id, []station.Sample{two}),
		d.End(ctx, id, station.RunEnd{State: station.Complete, Code: "complete", EndedUTC: event(9).UTC}), d.Event(ctx, id, event(10)))
	if err != nil {
		t.Fatal(err)
	}
	whole := must[[]byte](t)(d.Export(t.Context(), id))
	p, err := VerifyRecord(whole)
	live := must[Proof](t)(d.Verify(t.Context(), id))
	if err != nil || !p.OK() || p.Seal != live.Seal || p.Chunks != 2 || p.Events != 2 {
		t.Fatalf("untouched: %+v, %v; in the database %+v", p, err, live)
	}
	step, named, unreadable := 1, 0, 0
	if testing.Short() || thin > 1 {
		step = 17
	}
	for i := 0; i < len(whole); i += step {
		for _, flip := range []byte{1, 0x20} {
			edited := bytes.Clone(whole)
			edited[i] ^= flip
			p, err := VerifyRecord(edited)
			switch {
			case err != nil:
				unreadable++
			case len(p.Faults) > 0:
				named++
			default:
				t.Errorf("byte %d, %q made %q, is not found", i, whole[max(0, i-20):min(len(whole), i+20)], edited[i])
			}
		}
	}
	t.Logf("%d bytes: %d edits named, %d make the file unreadable", len(whole), named, unreadable)
}

func TestAnOpenRunCanBeExportedAndOneThatIsNotThereCannot(t *testing.T) {
	d := open(t, t.TempDir())
	defer d.Close()
	id := must[int64](t)(d.Begin(t.Context(), head()))
	if err := d.Append(t.Context(), id, samples(0, 10)); err != nil {
		t.Fatal(err)
	}
	p, err := VerifyRecord(must[[]byte](t)(d.Export(t.Context(), id)))
	if err != nil || !p.OK() || !p.Open || p.Chunks != 1 {
		t.Errorf("%+v, %v", p, err)
	}
	if _, err := d.Export(t.Context(), 77); err == nil {
		t.Error("a run that is not there was exported")
	}
}
