package main

import (
	"strings"
	"testing"
)

func TestEveryCommandOfTheProgramIsInThePage(t *testing.T) {
	said := map[string]string{
		"":           "Usage: trivet <command>\n\nFlags:\n  -h, --help    Help.\n\nCommands:\n  serve        Run it,\n               with a second line.\n  fault list   The table.\n\nRun \"trivet <command> --help\" for more.\n",
		"serve":      "Usage: trivet serve\n\n.dots and back\\slashes",
		"fault list": "Usage: trivet fault list",
	}
	var b strings.Builder
	err := write(&b, func(c ...string) (string, error) { return said[strings.Join(c, " ")], nil }, "1.2", "2026-01-01")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{".SS serve\n", ".SS fault list\n", `\&.dots and back\eslashes`, `"trivet 1.2"`} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page has no %q:\n%s", want, b.String())
		}
	}
	if n := strings.Count(b.String(), ".SS "); n != 2 {
		t.Errorf("%d commands are explained; the program has 2", n)
	}
}

func TestAProgramWithoutCommandsIsAnError(t *testing.T) {
	if err := write(&strings.Builder{}, func(...string) (string, error) { return "Usage: other", nil }, "", ""); err == nil {
		t.Error("a page was written about nothing")
	}
}
