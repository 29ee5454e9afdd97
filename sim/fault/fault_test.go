package fault

import (
	"strings"
	"testing"
)

func TestASecondNameIsAskedForWhereItIsNeededAndOnlyThere(t *testing.T) {
	for _, c := range []struct {
		f    Fault
		want string // part of the message; empty for allowed
	}{
		{Fault{Kind: "sensor_swapped", Target: "a", With: "b"}, ""},
		{Fault{Kind: "sensor_swapped", Target: "a"}, "with is missing"},
		{Fault{Kind: "sensor_swapped", Target: "a", With: "a"}, "must be another"},
		{Fault{Kind: "sensor_type", Target: "a", With: "J"}, ""},
		{Fault{Kind: "sensor_detached", Target: "a", Value: 1}, ""},
		{Fault{Kind: "relay_swapped", Target: "a"}, "with is missing"},
		{Fault{Kind: "sensor_open", Target: "a", With: "b"}, "takes none"},
	} {
		err := c.f.Validate()
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v; want %q", c.f, err, c.want)
		}
	}
}
