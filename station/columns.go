package station

import (
	"errors"

	"trivet/process"
	"trivet/process/unit"
	"trivet/safety"
)

// What a record has in its rows, and what is read out of them.

// row makes one record row of a snapshot.
func (c *Clerk) row(s *Snapshot) Sample {
	r := Sample{Seq: uint64(len(c.rows)), At: s.At - s.Run.Begun, N: len(c.chans)}
	put := func(i int, v float64) { r.Values[i], r.Quality[i] = float32(v), unit.Good }
	i := 0
	for k := range c.setup.Sensors {
		if t, ok := s.Sensors[k].Temp(); ok {
			put(i, float64(t))
		} else {
			r.Quality[i] = s.Sensors[k].Quality
		}
		i++
	}
	if s.Run.HasPlan {
		put(i, float64(s.Run.Point.Target))
	}
	if e := &s.Estimate; e.Has {
		put(len(c.chans)-2, float64(e.Joint))
		put(len(c.chans)-1, float64(e.Doubt))
	}
	put(i+1, s.Run.Profile.Seconds())
	i += 2
	for k := range c.setup.Heaters {
		h := &s.Heaters[k]
		if h.HasSet {
			put(i, float64(h.Set))
		}
		put(i+1, h.Duty)
		i += 2
	}
	put(i, s.Fan)
	put(i+1, float64(s.Mains))
	return r
}

// ChannelsOf lists the columns that a record of this machine has, in the order of Sample.Values.
func ChannelsOf(u *Setup) []Channel {
	var out []Channel
	for _, s := range u.Sensors {
		out = append(out, Channel{Name: s.Name, Unit: "°C", Kind: "sensor"})
	}
	out = append(out, Channel{Name: "target", Unit: "°C", Kind: "target"}, Channel{Name: "profile_time", Unit: "s", Kind: "profile_time"})
	for _, h := range u.Heaters {
		out = append(out, Channel{Name: "set:" + h.Name, Unit: "°C", Kind: "set"}, Channel{Name: "duty:" + h.Name, Unit: "1", Kind: "duty"})
	}
	return append(out, Channel{Name: "fan", Unit: "1", Kind: "fan"}, Channel{Name: "power", Unit: "W", Kind: "power"},
		Channel{Name: EstimateColumn, Unit: "°C", Kind: "estimate"}, Channel{Name: "joint_doubt", Unit: "°C", Kind: "doubt"})
}

// EstimateColumn is the column with what the law took the coldest joint for; half the width of its 95 % band follows it.
const EstimateColumn = "joint_estimate"

// Judge compares the recorded rows of a run with its process window.
func Judge(u *Setup, o *RunOrder, rows []Sample) (process.Verdict, error) {
	if o.Commission {
		return process.Verdict{}, errors.New("a commissioning run solders nothing that could be judged")
	}
	tr := process.Trace{}
	var from []int // columns of the record, in the order of the trace's
	for i, s := range u.Sensors {
		switch {
		case s.Role == safety.RoleJoint && !o.NoJoint:
			tr.Columns, from = append(tr.Columns, process.Column{Name: s.Name, Role: "joint"}), append(from, i)
		case s.Role == safety.RolePackageTop:
			tr.Columns, from = append(tr.Columns, process.Column{Name: s.Name, Role: "body"}), append(from, i)
		}
		// Ceilings of the other sensors are the guard's business.
	}
	if o.NoJoint { // nothing measured the joint: what it was taken for is judged, and the column's name says so
		tr.Columns, from = append(tr.Columns, process.Column{Name: EstimateColumn, Role: "joint"}), append(from, len(ChannelsOf(u))-2)
	}
	for _, r := range rows {
		tr.Time = append(tr.Time, r.At)
		for k, i := range from {
			v := unit.Unusable(r.At, r.Quality[i])
			if r.Quality[i] == unit.Good {
				v = unit.Measured(r.At, unit.Celsius(r.Values[i]))
			}
			tr.Columns[k].Readings = append(tr.Columns[k].Readings, v)
		}
	}
	var body *unit.Celsius
	if o.Profile.BodyLimit > 0 {
		body = &o.Profile.BodyLimit
	}
	return process.Judge(tr, process.WindowFor(o.Kind, o.Profile.Alloy, body))
}
