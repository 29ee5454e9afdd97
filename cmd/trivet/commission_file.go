package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"

	"go.uber.org/zap"

	"trivet/safety"
	"trivet/station"
)

// commissionFile keeps what commissioning has found out in one small file beside the records. It does not go through the database: guard and
// law are made of it before any record is opened. No file means that the machine was never commissioned; one that cannot be read is an
// error, and commissioning is then owed.
type commissionFile struct{ path string }

// commissioningKept is the content. The sum makes a file that was cut short or edited an error: the guard's bands and the laws' gains are in it.
type commissioningKept struct {
	Format string          `json:"format"`
	Sum    string          `json:"sum"` // SHA-256 of the result as it stands, without white space
	Result json.RawMessage `json:"result"`
}

const (
	commissionFormat = "trivet-commissioning-v1"
	commissionMost   = 1 << 20 // a machine with every channel there is comes to 20 kB
)

func newCommissionFile(dir string) *commissionFile {
	return &commissionFile{filepath.Join(dir, "commissioning.json")}
}

// Load implements station.CommissionStore.
func (f *commissionFile) Load() (*station.Commissioned, error) {
	info, err := os.Stat(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if info.Size() > commissionMost {
		return nil, fmt.Errorf("%s: %d bytes; at most %d are allowed", f.path, info.Size(), commissionMost)
	}
	if info.Mode().Perm()&0o022 != 0 { // whoever could write it could widen the guard's bands
		return nil, fmt.Errorf("%s: others than its owner may write it (mode %v); allowed is 0600", f.path, info.Mode().Perm())
	}
	data, err := os.ReadFile(f.path)
	if err != nil {
		return nil, err
	}
	var kept commissioningKept
	if err := strictly(data, &kept); err != nil {
		return nil, fmt.Errorf("%s: %w", f.path, err)
	}
	sum, err := digestOf(kept.Result)
	if err != nil || kept.Format != commissionFormat || kept.Sum != sum {
		return nil, fmt.Errorf("%s: the file is damaged, or is not one of ours", f.path)
	}
	var c station.Commissioned
	if err := strictly(kept.Result, &c); err != nil {
		return nil, fmt.Errorf("%s: %w", f.path, err)
	}
	return &c, nil
}

// Save implements station.CommissionStore.
func (f *commissionFile) Save(c *station.Commissioned) error {
	result, err := json.Marshal(c)
	if err != nil {
		return err
	}
	sum, err := digestOf(result)
	if err != nil {
		return err
	}
	data, err := json.MarshalIndent(commissioningKept{commissionFormat, sum, result}, "", "  ")
	if err != nil {
		return err
	}
	return replaceFile(f.path, append(data, '\n'))
}

// digestOf is the sum of a JSON value, whatever white space it was written with.
func digestOf(raw json.RawMessage) (string, error) {
	var b bytes.Buffer
	if err := json.Compact(&b, raw); err != nil {
		return "", err
	}
	sum := sha256.Sum256(b.Bytes())
	return hex.EncodeToString(sum[:]), nil
}

func strictly(data []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	return d.Decode(into)
}

// keepCommissioning loads what commissioning has found out about a machine and returns who keeps it. machine and digest name the machine file
// in force. The station that built holds is told how things stand, at each change; what builds it tells it once itself.
func keepCommissioning(dir string, u *station.Setup, machine, digest string, built *atomic.Pointer[station.Station], log *zap.Logger) *station.Commissions {
	o := station.CommissionOptions{Setup: u, Machine: machine, Digest: digest, Store: newCommissionFile(dir)}
	o.Report = func(err error) {
		log.Error("the result of commissioning cannot be kept or read", zap.Error(err))
	}
	o.State = func(c safety.Commissioning) {
		if st := built.Load(); st != nil {
			st.SetCommissioned(c)
		}
	}
	return station.NewCommissions(o)
}
