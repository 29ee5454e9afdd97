package main

import (
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Whoever changes a drawing and forgets to write the file again, or changes the file by hand, finds out here.
func TestTheDrawingsOfTheGuideAreTheseDrawings(t *testing.T) {
	guide, err := os.ReadFile(filepath.Join("..", "wiring.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range drawings {
		kept, err := os.ReadFile(filepath.Join("..", "drawings", d.name+".svg"))
		if err != nil {
			t.Fatal(err)
		}
		if string(kept) != d.draw() {
			t.Errorf("%s.svg is not what is drawn; run go run ./deploy/drawings deploy/drawings", d.name)
		}
		if !strings.Contains(string(guide), "(drawings/"+d.name+".svg)") {
			t.Errorf("the guide does not show %s.svg", d.name)
		}
	}
}

// A drawing is well-formed, can be read aloud, and carries its caution wherever it is copied to.
func TestEachDrawingIsWellFormedAndCarriesItsCaution(t *testing.T) {
	for _, d := range drawings {
		text := d.draw()
		for dec := xml.NewDecoder(strings.NewReader(text)); ; {
			if _, err := dec.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", d.name, err)
			}
		}
		for _, want := range []string{"<title", "<desc", "by a person qualified and, where required, licensed"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s has no %q", d.name, want)
			}
		}
	}
}
