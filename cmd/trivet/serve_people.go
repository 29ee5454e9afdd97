package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"trivet/api"
)

// pairingsFile is where the pairings are kept, in the data directory. It holds hashes of tokens, never a token; it is for the owner's
// eyes all the same, because it holds names.
const (
	pairingsName   = "pairings.json"
	pairingsFormat = "pairings-v1"
	mostPairings   = 1 << 20 // bytes; sixty-four of them are 20 kB
)

// pairingsFile implements api.Pairings by a small file that is written anew and then renamed: after a loss of power there is the old
// list or the new one.
type pairingsFile struct {
	path string
	log  *zap.Logger
}

// keptPairings is the whole file.
type keptPairings struct {
	Format   string        `json:"format"`
	Pairings []api.Pairing `json:"pairings"`
}

func newPairingsFile(dir string, log *zap.Logger) pairingsFile {
	return pairingsFile{filepath.Join(dir, pairingsName), log}
}

// Load reads the list. A file that cannot be understood is set aside and nobody is paired: the page comes up, everybody pairs anew, and
// no half-read list lets anybody in.
func (f pairingsFile) Load() ([]api.Pairing, error) {
	list, err := f.read()
	switch {
	case err == nil, errors.Is(err, fs.ErrNotExist):
		return list, nil
	}
	f.log.Error("the list of pairings cannot be used, so nobody is paired; pair again", zap.String("file", f.path), zap.Error(err))
	if err := os.Rename(f.path, f.path+".bad"); err != nil {
		f.log.Error("set the list of pairings aside", zap.Error(err))
	}
	return nil, nil
}

func (f pairingsFile) read() ([]api.Pairing, error) {
	info, err := os.Stat(f.path)
	if err != nil {
		return nil, err
	}
	if info.Size() > mostPairings {
		return nil, fmt.Errorf("it has %d bytes; at most %d are read", info.Size(), mostPairings)
	}
	// Whoever could write it could let themselves in.
	if info.Mode().Perm()&0o022 != 0 {
		return nil, fmt.Errorf("others than its owner may write it (mode %v)", info.Mode().Perm())
	}
	text, err := os.ReadFile(f.path)
	if err != nil {
		return nil, err
	}
	var kept keptPairings
	if err := json.Unmarshal(text, &kept); err != nil {
		return nil, err
	}
	if kept.Format != pairingsFormat {
		return nil, fmt.Errorf("its format is %q; this program knows %q", kept.Format, pairingsFormat)
	}
	return kept.Pairings, nil
}

// Save replaces the list.
func (f pairingsFile) Save(list []api.Pairing) error {
	text, err := json.MarshalIndent(keptPairings{pairingsFormat, list}, "", " ")
	if err != nil {
		return err
	}
	return replaceFile(f.path, append(text, '\n'))
}
