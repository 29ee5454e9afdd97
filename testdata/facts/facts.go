// Package facts gives tests the published check values that lie beside it, one CSV file per subject. The first line of each file
// names its source and how sure we are.
package facts

import (
	"bytes"
	"embed"
	"encoding/csv"
	"strconv"
	"testing"
)

//go:embed *.csv
var files embed.FS

// Rows returns the rows of a file under its header.
func Rows(t testing.TB, name string) [][]string {
	t.Helper()
	data, err := files.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(data))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// Number reads one cell.
func Number(t testing.TB, cell string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
