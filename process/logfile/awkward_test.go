package logfile

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"trivet/process"
	"trivet/process/unit"
)

// The courses of the awkward logs, all of straight lines with corners on rows, so that areas and crossings come out exactly by hand.
//
//	usual: 220 °C is crossed at 330 s (0.5 °C/s up) and at 410 s (1 °C/s down); 240 °C from 370 to 390 s: (240−220)/0.5 + 20 + (240−220)/1 = 80 s.
//	cool:  228 °C from 346 to 390 s: 8/0.5 + 44 + 8/1 = 68 s.
//	quick: as usual, then 8 °C/s down: 40 + 20 + 20/8 = 62.5 s.
//	long:  240 °C from 370 to 520 s: 40 + 150 + 20 = 210 s; over 217 °C 46 + 150 + 23 = 219 s.
//	lead:  183 °C crossed at 316 and at 417 s, 210 °C from 370 to 390 s: 54 + 20 + 27 = 101 s; 370 s to the peak, where tin-lead may take 360.
var (
	usual = through(0, 25, 180, 150, 270, 190, 330, 220, 370, 240, 390, 240, 510, 120)
	cool  = through(0, 25, 180, 150, 270, 190, 330, 220, 346, 228, 390, 228, 510, 108)
	quick = through(0, 25, 180, 150, 270, 190, 330, 220, 370, 240, 390, 240, 400, 160, 510, 105)
	long  = through(0, 25, 180, 150, 270, 190, 330, 220, 370, 240, 520, 240, 640, 120)
	lead  = through(0, 25, 150, 100, 250, 150, 316, 183, 370, 210, 390, 210, 417, 183, 500, 100)
	lid   = through(0, 25, 180, 155, 270, 195, 330, 225, 370, 246, 390, 246, 510, 125)
)

// awkward is one log of another recorder, and what a person works out from its course.
type awkward struct {
	file  string
	alloy string
	body  float64 // limit, 0 for none
	write func() string
	// Expected: verdict, the first limit missed, peak and time above liquidus of the coldest joint, and words in what is told about the reading.
	pass   bool
	missed string
	peak   float64
	above  float64
	told   []string
}

// rowsOf writes a row every step seconds from 0 to end, leaving out what skip says.
func rowsOf(head string, end, step float64, skip func(s float64) bool, row func(s float64) string) string {
	var b strings.Builder
	b.WriteString(head)
	for s := 0.0; s <= end; s += step {
		if skip == nil || !skip(s) {
			b.WriteString(row(s) + "\n")
		}
	}
	return b.String()
}

func commas(s string) string { return strings.ReplaceAll(s, ".", ",") }
func toF(c float64) float64  { return c*9/5 + 32 }
func stamp(s float64) time.Time {
	return time.Date(2026, 11, 25, 9, 58, 30, 0, time.UTC).Add(time.Duration(s * 1e9))
}
func hms(s float64) string { return fmt.Sprintf("%d:%02d:%02d", int(s)/3600, int(s)/60%60, int(s)%60) }
func twoByteText(s string) string { // UTF-16, low byte first
	out := []byte{0xff, 0xfe}
	for _, w := range utf16.Encode([]rune(s)) {
		out = binary.LittleEndian.AppendUint16(out, w)
	}
	return string(out)
}

func awkwardLogs() []awkward {
	sac, pb := "SAC305", "Sn63Pb37"
	return []awkward{
		{"semicolons-decimal-commas.csv", sac, 0, func() string {
			return rowsOf("Time (s);Joint (°C)\n", 510, 5, nil, func(s float64) string { return commas(fmt.Sprintf("%.1f;%.3f", s, usual(s))) })
		}, true, "", 240, 80, []string{"semicolons, decimals behind a comma", `time from "Time (s)" in s`}},
		{"tabs-and-brackets.tsv", sac, 0, func() string {
			return rowsOf("Elapsed time [s]\tBall A1 [°C]\tTop air [°C]\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%g\t%.3f\t%.3f", s, usual(s), min(350, 25+2*s)) })
		}, true, "", 240, 80, []string{"separated by tabs", "Ball A1 [°C] as a joint, Top air [°C] as not on the board"}},
		{"fahrenheit-by-header.csv", sac, 0, func() string {
			return rowsOf("time_s,joint_f\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%g,%.3f", s, toF(usual(s))) })
		}, true, "", 240, 80, []string{"from °F: joint_f"}},
		{"fahrenheit-in-a-row-of-units.csv", sac, 250, func() string {
			return rowsOf("Time,Joint 1,Lid,Power\ns,°F,°C,W\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%g,%.3f,%.3f,800", s, toF(usual(s)), lid(s)) })
		}, true, "", 240, 80, []string{"from °F: Joint 1", "units from the row behind the header"}},
		{"hours-minutes-seconds.csv", sac, 0, func() string {
			return rowsOf("Elapsed,Joint_C\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%s,%.3f", hms(s), usual(s)) })
		}, true, "", 240, 80, []string{`time from "Elapsed" as h:m:s`}},
		{"date-time-of-iso-8601.csv", sac, 0, func() string {
			return rowsOf("Timestamp,TC1 (°C)\n", 510, 2.5, nil, func(s float64) string {
				return stamp(s).Format("2006-01-02T15:04:05.000Z") + fmt.Sprintf(",%.3f", usual(s))
			})
		}, true, "", 240, 80, []string{`"Timestamp" as date and time`, "TC1 (°C) as a joint"}},
		{"date-with-points-and-decimal-commas.csv", sac, 0, func() string {
			return rowsOf("Date;Time;Joint °C\n", 510, 5, nil, func(s float64) string {
				return stamp(s).Format("02.01.2006;15:04:05") + commas(fmt.Sprintf(";%.3f", usual(s)))
			})
		}, true, "", 240, 80, []string{`"Date" and "Time"`}},
		{"past-midnight.csv", sac, 0, func() string {
			return rowsOf("Time of day,joint_c\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%s,%.3f", hms(math.Mod(86400-200+s, 86400)), usual(s)) })
		}, true, "", 240, 80, []string{"midnight passed in line 42"}},
		{"month-first-and-afternoon.csv", sac, 0, func() string {
			return rowsOf("Date/Time,\"Joint, corner (°F)\"\n", 510, 5, nil, func(s float64) string {
				return stamp(s+7200).Format("1/2/2006 3:04:05 PM") + fmt.Sprintf(",%.3f", toF(usual(s)))
			})
		}, true, "", 240, 80, []string{"month first", "from °F: Joint, corner (°F)"}},
		{"two-rows-in-each-second.csv", sac, 0, func() string {
			return rowsOf("Timestamp,joint_c\n", 510, 0.5, nil, func(s float64) string {
				return stamp(math.Floor(s)).Format("2006-01-02 15:04:05") + fmt.Sprintf(",%.3f", usual(s))
			})
		}, true, "", 240, 80, []string{"spread evenly over it (510 moved)"}},
		{"minutes.csv", sac, 0, func() string {
			return rowsOf("Time (min),joint_c\n", 510, 6, nil, func(s float64) string { return fmt.Sprintf("%g,%.3f", s/60, usual(s)) })
		}, true, "", 240, 80, []string{`time from "Time (min)" in min`}},
		{"irregular-rows.csv", sac, 0, func() string {
			odd := func(s float64) bool { return math.Mod(s, 30) != 0 && s != 370 && s != 410 && math.Mod(s*s, 7) > 1.5 }
			return rowsOf("time_s,joint_c\n", 510, 1, odd, func(s float64) string { return fmt.Sprintf("%g,%.4f", s, usual(s)) })
		}, true, "", 240, 80, nil},
		{"a-gap-on-the-way-up.csv", sac, 0, func() string {
			return rowsOf("time_s,joint_c\n", 510, 5, func(s float64) bool { return s > 60 && s < 120 }, func(s float64) string { return fmt.Sprintf("%g,%.3f", s, usual(s)) })
		}, true, "", 240, 80, []string{"joint_c: not seen from 60 to 120 s"}},
		{"a-gap-at-the-peak.csv", sac, 0, func() string { // 365 to 395 s is not seen: 80 − 30, and the last seen at 365 s is 237.5
			return rowsOf("time_s,joint_c\n", 510, 5, func(s float64) bool { return s > 365 && s < 395 }, func(s float64) string { return fmt.Sprintf("%g,%.3f", s, usual(s)) })
		}, false, "longest stretch unseen while molten", 237.5, 50, []string{"not seen from 365 to 395 s", "30 s above liquidus were not recorded"}},
		{"four-joints-one-too-cold.csv", sac, 0, func() string {
			return rowsOf("time_s;J1;J2;corner J3;board edge\n;°C;°C;°C;°C\n", 510, 2, nil, func(s float64) string {
				return fmt.Sprintf("%g;%.3f;%.3f;%.3f;%.3f", s, usual(s), usual(s), cool(s), cool(s)*0.8)
			})
		}, false, "coldest joint, peak", 228, 68, []string{"corner J3 as a joint", "board edge as the board"}},
		{"byte-order-mark-comments-and-crlf.csv", sac, 0, func() string {
			return strings.ReplaceAll("\ufeff# recorded by hand\n\n"+rowsOf("TIME_S,Joint_C\n# begin\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%g,%.3f", s, usual(s)) }), "\n", "\r\n")
		}, true, "", 240, 80, nil},
		{"lines-before-the-header.csv", sac, 0, func() string {
			return rowsOf("sep=;\nRecorder;invented\nStart;25.11.2026 10:00\nDate;25.11.2026\nTime / s;T joint / °C;State;\n", 510, 5, nil, func(s float64) string { return commas(fmt.Sprintf("%g;%.3f;on;", s, usual(s))) })
		}, true, "", 240, 80, []string{"3 lines before the header", "left out: State"}},
		{"values-that-are-missing.csv", sac, 0, func() string {
			words := map[float64]string{45: "OPEN", 50: "", 95: "9999", 200: "---", 305: "#N/A", 345: "NaN", 385: "Err", 450: "OL"}
			return rowsOf("time_s,joint_c\n", 510, 5, nil, func(s float64) string {
				if w, ok := words[s]; ok {
					return fmt.Sprintf("%g,%s", s, w)
				}
				return fmt.Sprintf("%g,%.3f", s, usual(s))
			})
		}, true, "", 240, 80, []string{"1 numbers are no temperature", "8 of 103 readings are missing"}},
		{"two-bytes-a-letter.txt", sac, 0, func() string {
			return twoByteText(rowsOf("Time (s)\tJoint (°C)\r\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%g\t%.3f\r", s, usual(s)) }))
		}, true, "", 240, 80, []string{"UTF-16"}},
		{"quoted-decimal-commas-cooled-too-fast.csv", sac, 0, func() string {
			return rowsOf("\"time_s\",\"joint_c\"\n", 510, 5, nil, func(s float64) string {
				return commas(fmt.Sprintf("\"%.1f\"", s)) + "," + commas(fmt.Sprintf("\"%.3f\"", quick(s)))
			})
		}, false, "ramp down", 240, 62.5, []string{"decimals behind a comma"}},
		{"units-in-the-cells.csv", sac, 0, func() string { // the degree sign of ISO 8859-1
			return rowsOf("elapsed (ms),outer ball\n", 510, 5, nil, func(s float64) string { return fmt.Sprintf("%.0f,%.3f \xb0C", s*1000, usual(s)) })
		}, true, "", 240, 80, []string{`"elapsed (ms)" in ms`}},
		{"tin-lead-in-lower-case.csv", pb, 0, func() string {
			return rowsOf("t/s;t_joint/°c\n", 500, 1, nil, func(s float64) string { return commas(fmt.Sprintf("%g;%.3f", s, lead(s))) })
		}, false, "25 °C to peak", 210, 101, []string{`"t/s" in s`}},
		{"molten-for-too-long.csv", sac, 0, func() string {
			return rowsOf("Seconds,joint_c\n", 640, 10, nil, func(s float64) string { return fmt.Sprintf("%g,%.3f", s, long(s)) })
		}, false, "time above liquidus, most", 240, 210, []string{`"Seconds" in s`}},
	}
}

// Logs of other recorders, each judged as a person would who has its course: peak and time above liquidus exactly, and the verdict with its reason.
// With -update the files are written anew; what is expected of them is not.
func TestAwkwardLogsAreJudgedAsWorkedOutByHand(t *testing.T) {
	const dir = "../../testdata/logs/"
	for _, l := range awkwardLogs() {
		t.Run(l.file, func(t *testing.T) {
			if *update {
				if err := os.WriteFile(dir+l.file, []byte(l.write()), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			data, err := os.ReadFile(dir + l.file)
			if err != nil {
				t.Fatal(err)
			}
			tr, err := Parse(l.file, data)
			if err != nil {
				t.Fatal(err)
			}
			alloy, err := process.FindAlloy(l.alloy)
			if err != nil {
				t.Fatal(err)
			}
			var body *unit.Celsius
			if l.body > 0 {
				limit := unit.Celsius(l.body)
				body = &limit
			}
			v, err := process.Judge(tr, process.WindowFor(process.Placement, alloy, body))
			if err != nil {
				t.Fatal(err)
			}
			missed := ""
			if m := v.Missed(); len(m) > 0 {
				missed = m[0].Name
			}
			if v.Pass != l.pass || missed != l.missed {
				t.Errorf("pass %v, missed %q; want %v, %q\n%s", v.Pass, missed, l.pass, l.missed, v.Table())
			}
			if p, a := v.Measures.Peak, v.Measures.AboveLiquidus; p == nil || a == nil || math.Abs(*p-l.peak) > 0.01 || math.Abs(*a-l.above) > 0.01 {
				t.Errorf("peak %v, above liquidus %v; want %g, %g\n%s", *p, *a, l.peak, l.above, v.Table())
			}
			for _, words := range l.told {
				if !strings.Contains(strings.Join(v.Notes, "\n"), words) {
					t.Errorf("%q is not told; notes:\n%s", words, strings.Join(v.Notes, "\n"))
				}
			}
		})
	}
}

func TestRowsOfOneSecondAreSpreadEvenlyOverIt(t *testing.T) {
	tr, err := Parse("l.csv", []byte("clock,a_c\n10:00:00,1\n10:00:01,2\n10:00:01,3\n10:00:01,4\n10:00:01,5\n10:00:02,6\n"))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0, 1, 1.25, 1.5, 1.75, 2} {
		if got := (tr.Time[i] - tr.Time[0]).Seconds(); got != want || tr.Columns[0].Readings[i].At != tr.Time[i] {
			t.Errorf("row %d at %g s, its reading at %v; want %g", i, got, tr.Columns[0].Readings[i].At, want)
		}
	}
}
