package api

import "testing"

func TestLimitsOutOfRangeAreRefusedByName(t *testing.T) {
	for want, l := range map[string]Limits{
		"":                       {},
		"viewers":                {Viewers: mostViewers + 1},
		"viewers_per_source":     {ViewersPerSource: -1},
		"connections":            {Sockets: leastSockets - 1},
		"connections_per_source": {SocketsPerSource: mostSockets + 1},
	} {
		if key, what, allowed := l.Check(); key != want || (key == "") != (what == "" && allowed == "") {
			t.Errorf("%+v: %q %q %q; want %q", l, key, what, allowed, want)
		}
	}
	if key, _, _ := (Limits{}).Filled().Check(); key != "" {
		t.Errorf("the default of %s is out of its own range", key)
	}
	o := newServer(t, newDesk(t)).o
	o.Limits.Viewers = -3
	if _, err := New(o); err == nil {
		t.Error("a server was made with -3 viewers")
	}
}

func TestTheLimitsThatAreSetHold(t *testing.T) {
	o := newServer(t, newDesk(t)).o
	o.Limits = Limits{Viewers: 2, ViewersPerSource: 1, Sockets: leastSockets, SocketsPerSource: 3}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var in []*viewer
	for _, from := range []string{"192.168.0.9", "192.168.0.9", "", ""} {
		v := &viewer{source: from}
		if s.hub.join(v, 0, false) {
			in = append(in, v)
		}
	}
	if len(in) != 2 || in[0].source == in[1].source {
		t.Errorf("%d viewers were let in; want one from elsewhere and one from here", len(in))
	}
	for _, v := range in {
		s.hub.leave(v)
	}
	if s.sockets.all != leastSockets || s.sockets.from != 3 {
		t.Errorf("sockets are bounded to %d, %d", s.sockets.all, s.sockets.from)
	}
}
