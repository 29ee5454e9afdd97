package safety

// Owed is a trip after which somebody must look at the machine before it may heat again. It outlives the program (invariant I-21): the
// next process begins with it latched.
type Owed struct {
	Code    string // row
	Subject string // its name, empty for the station
}

// Owed copies the latched trips that owe an inspection into dst and returns how many there are.
func (g *Guard) Owed(dst []Owed) int {
	n := 0
	for r := range rows {
		if !rows[r].Inspect || g.latches[r] == 0 {
			continue
		}
		for i := range g.subjects(rows[r].Of) {
			if g.mem[r][i].latched && n < len(dst) {
				dst[n] = Owed{Code: rows[r].Code, Subject: SubjectName(&g.limits, r, i)}
				n++
			}
		}
	}
	return n
}

// Restore latches trips that an earlier process left behind. One whose row or subject is not known any more latches the row "owed": what
// has been forgotten is not forgiven. It is called before the first tick.
func (g *Guard) Restore(list []Owed) {
	for _, o := range list {
		r, i := g.find(o)
		m := &g.mem[r][i]
		m.raised, m.shown = true, true
		g.latch(r, i)
	}
}

// find returns the row and subject that o stands for.
func (g *Guard) find(o Owed) (row, subject int) {
	for r := range rows {
		if rows[r].Code != o.Code || !rows[r].Inspect {
			continue
		}
		for i := range g.subjects(rows[r].Of) {
			if SubjectName(&g.limits, r, i) == o.Subject {
				return r, i
			}
		}
	}
	for r := range rows {
		if rows[r].Code == "owed" {
			row = r
		}
	}
	return row, 0
}
