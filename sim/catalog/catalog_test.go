package catalog

import (
	"strings"
	"testing"

	"trivet/process/strict"
	"trivet/process/unit"
	"trivet/sim/plant"
)

func TestEveryShippedBoardFitsEveryShippedMachine(t *testing.T) {
	if len(Boards()) < 6 || len(Machines()) < 2 {
		t.Fatalf("shipped are %d boards and %d machines", len(Boards()), len(Machines()))
	}
	for _, mn := range Machines() {
		m, err := Machine(mn)
		if err != nil {
			t.Fatal(err)
		}
		if m.Name != mn {
			t.Errorf("machine file %s.toml is named %q inside", mn, m.Name)
		}
		for _, bn := range Boards() {
			b, err := Board(bn)
			if err != nil {
				t.Fatal(err)
			}
			if b.Name != bn {
				t.Errorf("board file %s.toml is named %q inside", bn, b.Name)
			}
			if _, err := plant.New(m, b, unit.Celsius(25)); err != nil {
				t.Errorf("%s on %s: %v", bn, mn, err)
			}
		}
	}
}

func TestMistakesAreNamedWithTheirLine(t *testing.T) {
	board, err := boardFiles.ReadFile("boards/thin-4-layer.toml")
	if err != nil {
		t.Fatal(err)
	}
	machine, err := machineFiles.ReadFile("machines/kitchen-1k4.toml")
	if err != nil {
		t.Fatal(err)
	}
	cases := []struct {
		name, old, new string
		file           []byte
		want           []string
	}{
		{"a value out of range", "thickness_mm = 1.6\ncore", "thickness_mm = 16\ncore", board, []string{"thickness_mm", "is 16", "0.4…10 mm"}},
		{"a part off its board", "x_mm = 5\n", "x_mm = 45\n", board, []string{"package.x_mm", "is 45", "lies on the board"}},
		{"an unknown key", "planes = 2", "plains = 2", board, []string{"plains", "planes"}},
		{"a core nobody knows", `core = "fr4"`, `core = "wood"`, board, []string{"core", "wood", "aluminium"}},
		{"emitters on top of each other", "y_mm = 31 }", "y_mm = -20 }", machine, []string{"emitters[1]", "overlap"}},
		{"not a number", "power_w = 700\n", "power_w = nan\n", machine, []string{"power_w"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			text := strings.Replace(string(c.file), c.old, c.new, 1)
			if text == string(c.file) {
				t.Fatalf("%q is not in the file", c.old)
			}
			if strings.HasPrefix(string(c.file), string(board[:40])) {
				_, err = ParseBoard("mine.toml", []byte(text))
			} else {
				_, err = ParseMachine("mine.toml", []byte(text))
			}
			if err == nil {
				t.Fatal("accepted")
			}
			first, ok := err.(strict.Problems)
			if !ok || first[0].Line == 0 {
				t.Errorf("%v has no line", err)
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
		})
	}
}

func TestAnUnknownNameListsWhatThereIs(t *testing.T) {
	_, err := Board("no-such-board")
	if err == nil || !strings.Contains(err.Error(), "switch-16-layer") {
		t.Errorf("got %v", err)
	}
}
