package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"trivet/safety"
	"trivet/station"
)

// tripFile keeps trips that owe an inspection in one small file beside the records. It does not go through the database: what says that
// a relay is welded must not depend on a migration. No file means that nothing is owed; a file that cannot be read is an error, and the
// station then comes up tripped.
type tripFile struct{ path string }

// trips is the content. The sum makes a file that was cut short or edited by a bad disk an error.
type trips struct {
	Format string        `json:"format"`
	Owed   []safety.Owed `json:"owed"`
	Sum    uint32        `json:"sum"`
}

const (
	tripFormat  = "trivet-trips-v1"
	tripFileMax = 64 << 10 // far more than every row and subject
)

func newTripFile(dir string) *tripFile { return &tripFile{filepath.Join(dir, "trips.json")} }

// Load implements station.TripMemory.
func (f *tripFile) Load() ([]safety.Owed, error) {
	data, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var t trips
	if len(data) > tripFileMax {
		return nil, fmt.Errorf("%s: %d bytes; at most %d are allowed", f.path, len(data), tripFileMax)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&t); err != nil {
		return nil, fmt.Errorf("%s: %w", f.path, err)
	}
	if t.Format != tripFormat || t.Sum != sumOf(t.Owed) {
		return nil, fmt.Errorf("%s: the file is damaged, or is not one of ours", f.path)
	}
	return t.Owed, nil
}

// Save implements station.TripMemory.
func (f *tripFile) Save(owed []safety.Owed) error {
	data, err := json.MarshalIndent(trips{Format: tripFormat, Owed: owed, Sum: sumOf(owed)}, "", "  ")
	if err != nil {
		return err
	}
	return replaceFile(f.path, append(data, '\n'))
}

func sumOf(owed []safety.Owed) uint32 {
	sum := crc32.NewIEEE()
	for _, o := range owed {
		fmt.Fprintf(sum, "%q %q\n", o.Code, o.Subject) // a hash takes everything
	}
	return sum.Sum32()
}

// rememberTrips loads what is owed into the keeper and returns who carries it on.
func rememberTrips(dir string, u *station.Setup, k *station.Keeper, log *zap.Logger) *station.Trips {
	return station.NewTrips(u, k, newTripFile(dir), func(err error) {
		if err != nil {
			log.Error("trips that owe an inspection cannot be kept or read", zap.Error(err))
		} else {
			log.Info("trips are kept again")
		}
	})
}
