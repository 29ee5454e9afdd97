package safety

import (
	"fmt"
	"time"
)

// Title returns the row's title with the subject's name in it.
func (g *Guard) Title(r, i int) string { return Title(&g.limits, r, i) }

// Title returns row r's title with the name of subject i in it.
func Title(l *Limits, r, i int) string {
	if rows[r].Of == Station || rows[r].Code == "emergency_stop" {
		return rows[r].Title
	}
	return fmt.Sprintf(rows[r].Title, SubjectName(l, r, i))
}

// SubjectName returns the configured name of subject i of row r; it is empty for the station itself.
func SubjectName(l *Limits, r, i int) string {
	switch rows[r].Of {
	case EachSensor:
		return l.Sensors[i].Name
	case EachHeater:
		return l.Heaters[i].Name
	case EachBlower:
		return l.Blowers[i].Name
	case EachInterlock:
		return l.Interlocks[i].Name
	}
	return ""
}

// Alarms copies the raised alarms into dst in first-out order and returns how many there are. It allocates nothing.
func (g *Guard) Alarms(dst []Active) int {
	n := 0
	for r := range rows {
		for i := range g.subjects(rows[r].Of) {
			m := &g.mem[r][i]
			if !m.raised || !m.shown || n == len(dst) {
				continue
			}
			a := Active{Row: r, Subject: i, State: m.state(), At: m.at, Value: m.value, Limit: m.limit,
				True: g.there(r, i), Because: g.because(r, m.at), Flutters: m.flutters(g.now)}
			if m.latched {
				a.TripID, a.FirstOut = g.tripID, r == g.firstRow && i == g.firstSub
			}
			dst[n] = a
			n++
		}
	}
	return n
}

// because is the first raised row that explains row r and did not come after it by more than a second; −1 for none.
func (g *Guard) because(r int, at time.Duration) int {
	for k := range rows {
		if g.explains[r]&(1<<k) == 0 {
			continue
		}
		for i := range g.subjects(rows[k].Of) {
			if m := &g.mem[k][i]; m.raised && m.at <= at+time.Second {
				return k
			}
		}
	}
	return -1
}

func (m *memory) state() State {
	switch {
	case !m.raised:
		return Normal
	case m.latched && m.acked:
		return LatchedAcknowledged
	case m.latched && !m.true_:
		return LatchedUnacknowledged
	case m.acked:
		return Acknowledged
	case !m.true_:
		return ReturnedUnacked
	}
	return Unacknowledged
}
