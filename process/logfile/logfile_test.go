package logfile

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"trivet/process"
	"trivet/process/strict"
	"trivet/process/unit"
)

var update = flag.Bool("update", false, "rewrite the logs and verdicts in testdata/logs")

func TestALogIsReadWithItsTimesItsGapsAndItsRoles(t *testing.T) {
	tr, err := Parse("l.csv", []byte("\ufeff# made by hand\r\ntime_s, joint_c ,\"body_c\",power_w,note\r\n0,25.5,,800,start\r\n\r\n0.1,nan,26,800,\r\n# a remark\r\n0.2,9999,1e2,800,x\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(tr.Time) != 3 || tr.Time[1] != 100*time.Millisecond || len(tr.Columns) != 2 {
		t.Fatalf("read %d moments, %d columns", len(tr.Time), len(tr.Columns))
	}
	if j, b := tr.Columns[0], tr.Columns[1]; j.Name != "joint_c" || j.Role != process.RoleJoint || b.Name != "body_c" || b.Role != process.RoleBody {
		t.Errorf("columns %q (%s) and %q (%s)", j.Name, j.Role, b.Name, b.Role)
	}
	for i, want := range [][2]string{{"25.5", "not_read"}, {"not_read", "26"}, {"out_of_range", "100"}} {
		for k := range want {
			r := tr.Columns[k].Readings[i]
			got := r.Quality.String()
			if c, ok := r.Temp(); ok {
				got = fmt.Sprint(float64(c))
			}
			if got != want[k] {
				t.Errorf("row %d, %s: %s, want %s", i, tr.Columns[k].Name, got, want[k])
			}
		}
	}
	if len(tr.Notes) != 2 || !strings.Contains(tr.Notes[0], "1 numbers are no temperature") || !strings.Contains(tr.Notes[1], "left out: note") {
		t.Errorf("notes %q", tr.Notes)
	}
}

func TestColumnsWithoutAUnitCountWhenTheyHoldNumbers(t *testing.T) {
	tr, err := Parse("l.csv", []byte("time_s,left,right,state,duty_pct\n0,,25,idle,0\n1,26,26,heating,50\n"))
	if err != nil {
		t.Fatal(err)
	}
	if len(tr.Columns) != 2 || tr.Columns[0].Name != "left" || tr.Columns[1].Role != process.RoleJoint {
		t.Errorf("columns %+v", tr.Columns)
	}
	if len(tr.Notes) != 3 || !strings.Contains(tr.Notes[0], "no column says its unit") || !strings.Contains(tr.Notes[1], "left as a joint, right as a joint") || !strings.Contains(tr.Notes[2], "state") {
		t.Errorf("notes %q do not name the column left out", tr.Notes)
	}
}

func TestEachMistakeInALogNamesItsLineAndWhatIsAllowed(t *testing.T) {
	for name, c := range map[string]struct{ log, want string }{
		"empty":               {"", "l.csv: the log is empty; allowed: a header"},
		"comments only":       {"# a\n# b\n", "l.csv: the log is empty"},
		"header missing":      {"0,25\n1,26\n", "l.csv:1: the header is missing; allowed: a header with time_s"},
		"no time":             {"moment,joint_c\n0,25\n1,26\n", "l.csv:1: no column is called time_s; there are moment, joint_c"},
		"two possible times":  {"timestamp,clock,joint_c\n0,0,25\n1,1,26\n", `l.csv:1: "timestamp" and "clock" could both be the time`},
		"two times":           {"time_s,time_s,a_c\n", "l.csv:1: time_s: is there twice"},
		"points and commas":   {"time_s;joint_c\n0;25\n0,5;25.5\n", `l.csv:3: numbers are written with points and with commas, here "25.5"`},
		"thousands":           {"time_s;joint_c\n0;25\n1.000,5;25\n", `l.csv:3: a number has a comma and a point, "1.000,5"`},
		"unsaid Fahrenheit":   {"time_s,joint\n0,77\n300,464\n", "l.csv: joint: reads 464 at 300 s, and no column says whether it is in °C or °F; allowed: names that end in _c or _f"},
		"which part is what":  {"elapsed,a_c\n0:05,25\n0:06,26\n", `l.csv:2: elapsed: is "0:05"; allowed: h:m:s`},
		"day or month":        {"date;time;a_c\n4/5/2026;23:59:59;25\n5/5/2026;0:00:00;25\n", "l.csv: date: has dates such as 4/5/2026, and nothing shows which part is the day"},
		"cell behind a gap":   {"zeit_s;time;a_c;\n0;0;25;3\n", "l.csv:2: the row has more than the 3 cells of the header"},
		"another unit in it":  {"time_s,a_c\n0,77 °F\n", `l.csv:2: a_c: is "77 °F"; allowed: a temperature in °C`},
		"decimal comma":       {"time_s,joint_c\n0,25,5\n", "l.csv:2: the row has more than the 2 cells of the header"},
		"no temperatures":     {"time_s,power_w\n0,77\n1,78\n", "l.csv:1: no column holds temperatures"},
		"no numbers":          {"time_s,state\n0,idle\n1,idle\n", "l.csv:1: no column holds temperatures"},
		"two of one name":     {"time_s,a_c,A_c\n0,1,2\n", "l.csv:1: A_c: is there twice"},
		"column with no name": {"time_s,\n0,25\n1,25\n", "l.csv:1: column 2 has no name"},
		"one row":             {"time_s,a_c\n0,25\n", "l.csv:2: the log has 1 rows; allowed: at least 2"},
		"cell missing":        {"time_s,a_c,b_c\n0,25,26\n1,25\n", "l.csv:3: the row has 2 cells, the header 3"},
		"text in a column":    {"time_s,a_c\n0,25\n1,warm\n", `l.csv:3: a_c: is "warm"; allowed: a temperature in °C`},
		"infinite":            {"time_s,a_c\n0,25\n1,inf\n", `l.csv:3: a_c: is "inf"`},
		"time missing":        {"time_s,a_c\n,25\n1,25\n", `l.csv:2: time_s: is ""; allowed: seconds`},
		"time of day":         {"time_s,a_c\n12:00:01,25\n", `l.csv:2: time_s: is "12:00:01"`},
		"time not a number":   {"time_s,a_c\nnan,25\n", `l.csv:2: time_s: is "nan"`},
		"time in ms, epoch":   {"time_s,a_c\n1764000000000,25\n", `l.csv:2: time_s: is "1764000000000"`},
		"time falls":          {"time_s,a_c\n0,25\n\n2,25\n1,25\n", "l.csv:5: time_s: is 1 after 2; allowed: a later time on each row"},
		"time stands":         {"time_s,a_c\n0,25\n0,25\n", "l.csv:3: time_s: is 0 after 0"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Parse("l.csv", []byte(c.log))
			var p strict.Problems
			if !errors.As(err, &p) {
				t.Fatalf("got %v", err)
			}
			if !strings.HasPrefix(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("got  %s\nwant %s…", err, c.want)
			}
		})
	}
}

func TestTooManyRowsOrColumnsAreRefusedBeforeMemoryIsTaken(t *testing.T) {
	rows := "time_s,a_c\n" + strings.Repeat("\n", MaxRows+1)
	columns := "time_s" + strings.Repeat(",a_c", MaxColumns) + "\n0,1\n"
	for _, log := range []string{rows, columns} {
		if _, err := Parse("l.csv", []byte(log)); err == nil || !strings.Contains(err.Error(), "at most") {
			t.Errorf("got %v", err)
		}
	}
}

// log is a course written as a file: the shape in one function for each column, NaN for an empty cell.
type log struct {
	name, alloy string
	kind        process.Kind
	body        float64 // limit, 0 for none
	header      string
	seconds     int
	columns     []func(s float64) float64
}

// through makes a course of straight lines: pairs of seconds and °C.
func through(xy ...float64) func(float64) float64 {
	return func(s float64) float64 {
		for i := 2; i < len(xy); i += 2 {
			if s <= xy[i] {
				return xy[i-1] + (xy[i+1]-xy[i-1])*(s-xy[i-2])/(xy[i]-xy[i-2])
			}
		}
		return xy[len(xy)-1]
	}
}

func logs() []log {
	rng := rand.New(rand.NewPCG(7, 7))
	noisy := func(f func(float64) float64) func(float64) float64 { // 0.2 °C of noise, steps of 0.25 °C
		return func(s float64) float64 { return math.Round((f(s)+0.2*rng.NormFloat64())*4) / 4 }
	}
	corner := through(0, 24, 195, 150, 285, 190, 330, 217, 365, 238, 395, 238, 520, 75)
	centre := through(0, 24, 198, 148, 288, 188, 332, 215, 368, 236, 395, 236.5, 522, 77)
	lid := through(0, 24, 190, 158, 280, 199, 325, 227, 360, 246, 370, 244, 393, 243, 520, 70)
	board := through(0, 24, 195, 145, 285, 180, 365, 215, 395, 217, 520, 80)
	lost := func(s float64) float64 {
		if s > 370 && s < 390 {
			return math.NaN()
		}
		return corner(s)
	}
	return []log{
		{"removal-of-a-heavy-part", "SAC305", process.Removal, 250, "joint_corner_c,joint_centre_c,lid_c,board_c,top_air_c", 520,
			[]func(float64) float64{noisy(corner), noisy(centre), noisy(lid), noisy(board), func(s float64) float64 { return min(330, 24+3*s) }}},
		{"placement-with-tin-lead", "Sn63Pb37", process.Placement, 0, "joint_c", 460, []func(float64) float64{noisy(through(0, 24, 150, 120, 250, 160, 290, 183, 320, 212, 340, 212, 460, 60))}},
		{"peak-too-low", "SAC305", process.Placement, 0, "joint_c", 520, []func(float64) float64{noisy(func(s float64) float64 { return corner(s) * 0.955 })}},
		{"lid-too-hot-and-cooled-too-fast", "SAC305", process.Placement, 245, "ball1_c,lid_c", 440,
			[]func(float64) float64{noisy(through(0, 24, 195, 150, 285, 190, 330, 217, 365, 238, 395, 238, 412, 120, 440, 60)), noisy(func(s float64) float64 { return lid(s) * 1.012 })}},
		{"joint-lost-at-the-peak", "SAC305", process.Placement, 250, "joint_c", 520, []func(float64) float64{noisy(lost)}},
	}
}

// write returns the log as a file with one row a second.
func (l log) write() string {
	var b strings.Builder
	fmt.Fprintf(&b, "# invented data\ntime_s,%s\n", l.header)
	for s := 0; s <= l.seconds; s++ {
		fmt.Fprintf(&b, "%d", s)
		for _, c := range l.columns {
			if v := c(float64(s)); math.IsNaN(v) {
				b.WriteString(",")
			} else {
				fmt.Fprintf(&b, ",%.2f", v)
			}
		}
		b.WriteString("\n")
	}
	return b.String()
}

// The verdicts on recorded logs, as a person reads them. After an intended change run with -update and review.
func TestVerdictsOnRecordedLogsAreUnchanged(t *testing.T) {
	const dir = "../../testdata/logs/"
	for _, l := range logs() {
		if *update {
			if err := os.WriteFile(dir+l.name+".csv", []byte(l.write()), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		data, err := os.ReadFile(dir + l.name + ".csv")
		if err != nil {
			t.Fatal(err)
		}
		tr, err := Parse(l.name+".csv", data)
		if err != nil {
			t.Fatal(err)
		}
		alloy, err := process.FindAlloy(l.alloy)
		if err != nil {
			t.Fatal(err)
		}
		w := process.WindowFor(l.kind, alloy, nil)
		if l.body > 0 {
			limit := unit.Celsius(l.body)
			w = process.WindowFor(l.kind, alloy, &limit)
		}
		v, err := process.Judge(tr, w)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(v); err != nil {
			t.Error(err)
		}
		if *update {
			if err := os.WriteFile(dir+l.name+".verdict", []byte(v.Table()), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(dir + l.name + ".verdict")
		if err != nil {
			t.Fatalf("%v (run once with -update, then read the new file)", err)
		}
		if got := v.Table(); got != string(want) {
			t.Errorf("the verdict on %s differs; if that is intended run with -update and review it.\ngot:\n%s\nwant:\n%s", l.name, got, want)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	data := []byte(logs()[0].write())
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("b", data); err != nil {
			b.Fatal(err)
		}
	}
}
