package safety

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

// tableInWords is what each row must be, written a second time and by hand: rank as first-out, subject, action, what it is besides, how long
// (ms) and in how many ticks it must be true, when people hear of it (ms), and what it explains. Whoever changes a row changes it here as
// well, and says in the commit which hazard asks for it.
const tableInWords = `
emergency_stop    | interlock | cut  | armed latch         |    0 | 0 |   0 | contactor_open relay_open heat_missing
limiter           | interlock | cut  | latch inspect       |    0 | 0 |   0 | contactor_open relay_open heat_missing
door              | interlock | cut  | armed latch         |    0 | 0 |   0 | contactor_open relay_open heat_missing
contact_chatters  | interlock | cut  | armed latch         |    0 | 0 |   0 |
over_ceiling      | sensor    | cut  | latch inspect       |    0 | 2 |   0 | at_ceiling
at_ceiling        | sensor    | zone |                     |    0 | 0 | 200 |
relay_stuck       | heater    | cut  | latch inspect asked |    0 | 3 |   0 | heat_astray idle_heat over_ceiling at_ceiling
contactor_welded  | station   | cut  | latch inspect       |  800 | 0 |   0 |
contactor_open    | station   | cut  | armed latch         | 1000 | 0 |   0 | relay_open heat_missing
air_lost          | blower    | cut  | armed latch         | 1000 | 0 |   0 | heat_missing heat_astray air_weak
extraction_hold   | interlock | hold | armed               |    0 | 0 |   0 |
extraction        | interlock | cut  | armed latch delay   |    0 | 0 |   0 |
cold_junction     | sensor    | tell |                     |    0 | 0 |   0 | sensor_bad sensor_lost
sensor_bad        | sensor    | hold | armed               |    0 | 0 | 400 |
sensor_lost       | sensor    | cut  | armed latch         |    0 | 0 |   0 | sensor_bad
sensor_frozen     | sensor    | cut  | armed latch         |    0 | 0 |   0 | sensor_bad sensor_lost
sensor_erratic    | sensor    | cut  | armed latch         |    0 | 0 |   0 | sensor_bad sensor_lost
sensor_noisy      | sensor    | tell |                     | 2000 | 0 |   0 |
joint_doubt       | sensor    | hold | armed               | 1500 | 0 |   0 |
joint_astray      | sensor    | cut  | armed latch         | 4000 | 0 |   0 | joint_doubt
relay_open        | heater    | cut  | armed latch asked   |    0 | 5 |   0 | heat_missing relay_flutters
relay_flutters    | heater    | tell | armed               |    0 | 0 |   0 | heat_missing
heat_missing      | heater    | cut  | armed latch         |  300 | 0 |   0 |
heat_astray       | heater    | cut  | armed latch inspect |  300 | 0 |   0 |
air_weak          | heater    | hold | armed               |  300 | 0 |   0 |
idle_heat         | heater    | cut  | latch inspect       |    0 | 0 |   0 |
run_on_air        | blower    | tell |                     | 2000 | 0 |   0 |
supply            | station   | tell |                     | 2000 | 0 |   0 |
contact_untried   | interlock | tell |                     |    0 | 0 |   0 |
joint_missing     | sensor    | tell | armed               | 1000 | 0 |   0 |
sensor_out        | sensor    | tell |                     | 2000 | 0 |   0 |
start_bypass      | station   | cut  | latch inspect       |    0 | 0 |   0 |
start_no_contact  | station   | cut  | latch               |    0 | 0 |   0 |
start_one_shot    | station   | cut  | latch inspect       |    0 | 0 |   0 |
start_relay_stuck | heater    | cut  | latch inspect       |    0 | 0 |   0 | relay_stuck
start_relay_dead  | heater    | cut  | latch               |    0 | 0 |   0 |
start_crossed     | heater    | cut  | latch inspect       |    0 | 0 |   0 |
memory            | station   | cut  | latch inspect       |    0 | 0 |   0 |
owed              | station   | cut  | latch inspect       |    0 | 0 |   0 |
clock             | station   | cut  | latch               |    0 | 0 |   0 |
bad_drive         | station   | cut  | latch               |    0 | 0 |   0 |
late              | station   | cut  | armed latch         |    0 | 0 |   0 |
silent            | station   | cut  | latch               |    0 | 0 |   0 |
run_too_long      | station   | cut  | armed latch         |    0 | 0 |   0 |
`

func inWords(r *Alarm) string {
	var is []string
	for _, p := range []struct {
		word string
		on   bool
	}{{"armed", r.Armed}, {"latch", r.Latch}, {"inspect", r.Inspect}, {"delay", r.Delay != nil}, {"asked", r.Asked != nil}} {
		if p.on {
			is = append(is, p.word)
		}
	}
	of := []string{"station", "sensor", "heater", "blower", "interlock"}[r.Of]
	action := []string{"tell", "hold", "zone", "cut"}[r.Action]
	return fmt.Sprint(r.Code, of, action, is, r.After.Milliseconds(), r.Samples, r.Show.Milliseconds(), r.Explains)
}

func TestEveryRowIsAtItsRankAndActsAsItIsWrittenDownTwice(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(tableInWords), "\n")
	list := Rows()
	if len(list) != len(lines) {
		t.Errorf("%d rows; %d are written down", len(list), len(lines))
	}
	for i := range min(len(list), len(lines)) {
		w := strings.Split(lines[i], "|")
		for k := range w {
			w[k] = strings.TrimSpace(w[k])
		}
		want := fmt.Sprint(w[0], w[1], w[2], strings.Fields(w[3]), " "+w[4]+" "+w[5]+" "+w[6]+" ", strings.Fields(w[7]))
		if got := inWords(&list[i]); strings.Join(strings.Fields(got), " ") != strings.Join(strings.Fields(want), " ") {
			t.Errorf("row %d is\n%s; written down is\n%s", i, got, want)
		}
	}
}

// To cut heat without a latch would be to give it back by itself, and to latch without a cut would be a trip that heats.
func TestARowLatchesExactlyWhenItCutsHeat(t *testing.T) {
	for _, r := range Rows() {
		if r.Latch != (r.Action == CutHeat) || r.Inspect && !r.Latch {
			t.Errorf("%s: action %d, latches %v, inspection %v", r.Code, r.Action, r.Latch, r.Inspect)
		}
	}
}

func TestTheTableThatIsHandedOutIsACopy(t *testing.T) {
	r, p := Rows(), Permissives()
	if len(r) != len(rows) || len(p) != len(permissives) {
		t.Error("not all of it")
	}
	r[0].Code, p[0].Code = "spoilt", "spoilt"
	if rows[0].Code == "spoilt" || permissives[0].Code == "spoilt" {
		t.Error("whoever asks for the table can change it")
	}
}

// TestEachRowExplainsWhatItSaysAndNothingElse raises every pair of rows and asks the guard which is the cause of which.
func TestEachRowExplainsWhatItSaysAndNothingElse(t *testing.T) {
	b := newBench(t)
	for cause := range rows {
		for effect := range rows {
			if cause == effect {
				continue
			}
			want := -1
			if slices.Contains(rows[cause].Explains, rows[effect].Code) {
				want = cause
			}
			for _, c := range []struct {
				cause, effect time.Duration
				told          bool
			}{{0, 0, true}, {time.Second, 0, true}, {time.Second + 1, 0, false}, {0, time.Minute, true}} {
				b.g.mem = [len(rows)][maxSubjects]memory{}
				last := b.g.subjects(rows[cause].Of) - 1
				b.g.mem[cause][last] = memory{raised: true, at: c.cause}
				b.g.mem[effect][0] = memory{raised: true, shown: true, at: c.effect}
				var list [4]Active
				n := b.g.Alarms(list[:])
				if n != 1 || list[0].Row != effect || list[0].Because != want && c.told || list[0].Because != -1 && !c.told {
					t.Fatalf("%s with %s raised %v later: %+v", rows[effect].Code, rows[cause].Code, c.cause-c.effect, list[:n])
				}
			}
		}
	}
}

func TestTitlesNameTheirSubject(t *testing.T) {
	b := newBench(t)
	for code, want := range map[string]string{"over_ceiling": "Package top reached its ceiling", "relay_stuck": "Relay of Area is stuck on",
		"limiter": "Over-temperature limiter door has tripped", "emergency_stop": "Emergency stop is pressed", "late": "The control loop was too late"} {
		if got := b.g.Title(rowOf(code), 1); got != want {
			t.Errorf("%q; want %q", got, want)
		}
	}
	if got := b.g.Title(rowOf("air_lost"), 0); got != "Top blower stopped blowing during heat" {
		t.Errorf("%q", got)
	}
}

// rowOf is the index of a row, −1 for none.
func rowOf(code string) int {
	return slices.IndexFunc(rows[:], func(a Alarm) bool { return a.Code == code })
}
