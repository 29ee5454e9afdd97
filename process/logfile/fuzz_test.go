package logfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/strict"
	"trivet/process/unit"
)

// longestLog bounds the work of one input. Reading is linear: a megabyte takes some 20 ms at most.
const longestLog = 64 << 10

// Whatever the bytes: a log is refused with one mistake on a line it has, or every moment and every temperature is the one that
// a second reader finds, which splits text and knows nothing of the first.
func FuzzParse(f *testing.F) {
	f.Add([]byte("time_s,a_c\n0,25\n1,nan\n"))
	f.Add([]byte("\ufefftime_s,\"a\",b\n-1e3,25,x\n1e9,,\n"))
	f.Add([]byte("time_s;a\n"))
	f.Add([]byte("logger;7\nDate;Time;T1 [°F];\n;;°F;\n25.11.2026;23:59:59;77,5;\n26.11.2026;0:00:00;78,25;\n"))
	f.Add([]byte("sep=\t\nelapsed\tx\n0:00:01\t25 °C\n0:00:01\topen\n"))
	f.Add([]byte("date/time,\"joint (°C)\"\n11/25/2026 1:02:03 PM,\"25,5\"\n2026-11-25T13:02:04.5+01:00,26\n"))
	f.Add([]byte("# made\r\njoint_c,time_s,body_c,power_w\r\n25,0,9999,1\r\n\r\n26,0.1,--,1\r\n"))
	f.Add([]byte("time_s,left,state\n0,,idle\n1,26,\n"))
	f.Add([]byte(strings.Join(strings.Split(logs()[0].write(), "\n")[:12], "\n")))
	f.Fuzz(func(t *testing.T, data []byte) {
		data = data[:min(len(data), longestLog)]
		p := parser{file: "f"}
		tr, err := p.parse(data)
		if err != nil {
			var p strict.Problems
			if !errors.As(err, &p) || len(p) != 1 || p[0].Line < 0 || p[0].Line > mostLines(data) || len(err.Error()) > 2000+len(p[0].Key) {
				t.Fatalf("%T, %d bytes: %.300v", err, len(err.Error()), err)
			}
			return
		}
		// The second reader knows one way to write a log.
		if p.own && p.when.per == time.Second && !slices.Contains(p.scale, fahrenheit) && !strings.Contains(string(data), `"`) && !strings.Contains(string(data), "//") && bytes.IndexByte(data, 0xb0) < 0 && bytes.Contains(data, []byte("\n")) {
			compare(t, tr, string(data))
		}
		sac, _ := process.AlloyByName("SAC305")
		if v, err := process.Judge(tr, process.WindowFor(process.Placement, sac, nil)); err == nil {
			if data, err := json.Marshal(v); err != nil {
				t.Fatalf("%v: %s", err, data)
			}
		}
	})
}

// mostLines is how many lines a log can have: lines end in one of three ways, and two bytes may be a letter.
func mostLines(data []byte) int {
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return 1 + len(data)/2
	}
	return 1 + max(bytes.Count(data, []byte("\n")), bytes.Count(data, []byte("\r")))
}

// cellsOf splits a line, without spaces and quotes around its cells.
func cellsOf(line string) []string {
	cells := strings.Split(line, ",")
	for i, c := range cells {
		c = strings.TrimSpace(c)
		if len(c) >= 2 && strings.HasPrefix(c, `"`) && strings.HasSuffix(c, `"`) {
			c = strings.TrimSpace(c[1 : len(c)-1])
		}
		cells[i] = c
	}
	return cells
}

func compare(t *testing.T, tr process.Trace, data string) {
	t.Helper()
	var rows [][]string
	for _, line := range strings.Split(strings.TrimPrefix(data, "\ufeff"), "\n") {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			rows = append(rows, cellsOf(line))
		}
	}
	at, twice := map[string]int{}, map[string]bool{} // by name as the trace spells it
	for i, name := range rows[0] {
		name = strings.ToValidUTF8(name, "?")
		if strings.EqualFold(name, "time_s") {
			name = "time_s"
		}
		if _, ok := at[name]; ok {
			twice[name] = true // a name may be there again for a column that is no temperature
		}
		at[name] = i
	}
	if len(tr.Time) != len(rows)-1 || len(tr.Columns) == 0 {
		t.Fatalf("%d moments of %d columns from %d rows", len(tr.Time), len(tr.Columns), len(rows)-1)
	}
	for k, row := range rows[1:] {
		s, err := strconv.ParseFloat(row[at["time_s"]], 64)
		if err != nil || math.Abs(tr.Time[k].Seconds()-s) > 1e-6 || k > 0 && tr.Time[k] <= tr.Time[k-1] || len(row) != len(rows[0]) {
			t.Fatalf("row %d, %q: time is %v", k, row, tr.Time[k])
		}
		for _, c := range tr.Columns {
			i, ok := at[c.Name]
			if !ok {
				t.Fatalf("column %q is not in the log", c.Name)
			}
			if !twice[c.Name] {
				checkCell(t, c.Readings[k], row[i], tr.Time[k])
			}
		}
	}
}

// checkCell compares one reading with the text it came from.
func checkCell(t *testing.T, r unit.Reading, text string, now time.Duration) {
	t.Helper()
	got, ok := r.Temp()
	if bare := strings.TrimSpace(strings.TrimRight(text, "cC")); len(bare) > 0 && strings.ContainsAny(bare[len(bare)-1:], "0123456789.") {
		text = bare // a unit of its own
	}
	v, err := strconv.ParseFloat(text, 64)
	number := err == nil && !math.IsNaN(v)
	switch {
	case r.At != now:
		t.Fatalf("a reading of %v is from %v", now, r.At)
	case ok && (!number || float64(got) != v):
		t.Fatalf("%q was read as %v", text, got)
	case !ok && number && v >= -55 && v <= 1000:
		t.Fatalf("%q was read as %v", text, r.Quality)
	case !ok && !number && r.Quality != unit.NotRead:
		t.Fatalf("a cell without a number, %q, is %v", text, r.Quality)
	}
}

// The kind of a column is decided by its own first cell that holds something, however far down it is.
func TestEachColumnIsDecidedByItsOwnFirstCell(t *testing.T) {
	tr, err := Parse("l.csv", []byte("time_s,a,b,c,d\n0,,x,-,\n1,,7,on,\n2,25,8,nan,\n3,,9,5,\n"))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range tr.Columns {
		names = append(names, c.Name)
	}
	if strings.Join(names, " ") != "a d" || len(tr.Notes) != 3 || !strings.Contains(tr.Notes[2], "b, c") {
		t.Errorf("columns %q, notes %q", names, tr.Notes)
	}
}

// BenchmarkEmptyColumns is the slowest log we know: it used to be read once for each of its columns.
func BenchmarkEmptyColumns(b *testing.B) {
	header := "time_s"
	for i := range MaxColumns - 1 {
		header += ",c" + strconv.Itoa(i)
	}
	data := []byte(header + "\n" + strings.Repeat(strings.Repeat(",", MaxColumns-1)+"\n", 1<<14))
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		_, _ = Parse("b", data)
	}
}
