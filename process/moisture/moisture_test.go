package moisture

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trivet/process"
	"trivet/testdata/facts"
)

func TestEveryRowOfTheFloorLives(t *testing.T) {
	rows := facts.Rows(t, "jstd033_floor_life.csv")
	for _, r := range rows {
		if r[0] == "6" { // time on label
			if err := (Body{Level: "6", ThicknessMM: 2}).Check(); err == nil {
				t.Error("a level 6 part without its label is accepted")
			}
			continue
		}
		want := math.Inf(1)
		if r[1] != "inf" {
			want = facts.Number(t, r[1])
		}
		life, limited, _ := Body{Level: Level(r[0]), ThicknessMM: 2}.FloorLife()
		if got := life.Hours(); limited && got != want || !limited && !math.IsInf(want, 1) {
			t.Errorf("level %s: %v h, limited %v; the table has %v", r[0], got, limited, want)
		}
	}
	if len(rows) != len(Levels()) {
		t.Errorf("%d rows for %d levels", len(rows), len(Levels()))
	}
}

func TestEveryRowOfTheDerating(t *testing.T) {
	rows := facts.Rows(t, "jstd033_derating.csv")
	for _, r := range rows {
		p := Body{Level: Level(r[1]), ThicknessMM: 3.2}
		life, _, _ := p.FloorLife()
		rate, outside := p.Rate(Air{facts.Number(t, r[2]), facts.Number(t, r[3]), true})
		if r[4] == "inf" {
			if rate != 0 {
				t.Errorf("%v: rate %v", r, rate)
			}
			continue
		}
		if days := life.Hours() / 24 / rate; outside || math.Abs(days-facts.Number(t, r[4])) > 1e-9 {
			t.Errorf("%v: %v days, outside %v", r, days, outside)
		}
	}
	t.Logf("%d rows", len(rows))
}

func TestEveryRowOfTheBakes(t *testing.T) {
	thick := map[string][2]float64{"<=1.4": {0.8, 1.4}, ">1.4 to <=2.0": {1.41, 2.0}, ">2.0 to <=4.5": {2.01, 4.5}}
	words := map[string]string{"LOOKED-UP": process.LookedUp, "MEMORY": process.FromMemory}
	rows := facts.Rows(t, "jstd033_bake.csv")
	for _, r := range rows {
		if strings.HasPrefix(r[0], "BGA") {
			b := Body{Level: "3", ThicknessMM: 2.5, Large: true}.Bakes(100 * time.Hour)[0]
			if b.TempC != 125 || b.Hours != facts.Number(t, r[4]) || b.Confidence != words[r[6]] {
				t.Errorf("%v: %+v", r, b)
			}
			continue
		}
		for _, mm := range thick[r[0]] {
			for col, over := range map[int]time.Duration{4: 72*time.Hour + 1, 5: 72 * time.Hour} {
				found := false
				for _, b := range (Body{Level: Level(r[1]), ThicknessMM: mm}).Bakes(over) {
					if b.TempC == facts.Number(t, r[2]) {
						found = b.Hours == facts.Number(t, r[col]) && b.Confidence == words[r[6]] && (b.MostRH == 5) == (r[3] == "<=5")
					}
				}
				if !found {
					t.Errorf("%v at %g mm, column %d", r, mm, col)
				}
			}
		}
	}
	t.Logf("%d rows", len(rows))
}

// Thirteen histories worked out by hand. Times are hours after the bag was opened.
func TestHistoriesWorkedOutByHand(t *testing.T) {
	begin := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	h := func(from, to float64, w Where, a Air) Stay {
		at := func(x float64) time.Time { return begin.Add(time.Duration(x * float64(time.Hour))) }
		return Stay{From: at(from), To: at(to), Where: w, Air: a}
	}
	bake := func(from, to, c, rh float64) Stay {
		s := h(from, to, Baking, Air{})
		s.BakeC, s.BakeRH = c, rh
		return s
	}
	shop, cool, wet := Air{30, 60, true}, Air{25, 50, true}, Air{35, 80, true}
	for name, c := range map[string]struct {
		level      Level
		mm         float64
		history    []Stay
		now        float64
		used, left float64 // h
		over       float64
		bake       float64 // hours at 125 °C that are owed; 0: none
	}{
		// 168 h − 100 h.
		"level 3, 100 h as printed": {"3", 2.5, []Stay{h(0, 100, Exposed, shop)}, 100, 100, 68, 0, 0},
		// Level 3 has 9 days at 25 °C/50 %: 90 h use 90·7/9 = 70 h; 98 h are left, in this air 98·9/7 = 126 h.
		"level 3 in a cool room": {"3", 2.5, []Stay{h(0, 90, Exposed, cool)}, 90, 70, 126, 0, 0},
		// Level 3 has 3 days at 35 °C/80 %: 48 h use 48·7/3 = 112 h; 56 h are left, here 24 h.
		"level 3 in a wet room": {"3", 2.5, []Stay{h(0, 48, Exposed, wet)}, 48, 112, 24, 0, 0},
		// 40 h out, 1000 h in the cabinet, 20 h out: 60 of 168.
		"level 3, a cabinet between": {"3", 2.5, []Stay{h(0, 40, Exposed, shop), h(40, 1040, Dry, Air{}), h(1040, 1060, Exposed, shop)}, 1060, 60, 108, 0, 0},
		// 10 h that nobody logged between two stays count as printed: 20+10+20 of 72.
		"level 4, ten hours that nobody knows of": {"4", 1.2, []Stay{h(0, 20, Exposed, shop), h(30, 50, Exposed, shop)}, 50, 50, 22, 0, 0},
		// After the last entry, too: 20 + 30 of 72.
		"level 4, and nothing since": {"4", 1.2, []Stay{h(0, 20, Exposed, shop)}, 50, 50, 22, 0, 0},
		// 60 h at level 5 (48 h): 12 over; 2.5 mm: 48 h at 125 °C.
		"level 5, expired by half a day": {"5", 2.5, []Stay{h(0, 60, Exposed, shop)}, 60, 60, 0, 12, 48},
		// 1.2 mm, level 3, 168+73 h: more than 72 h over: 9 h.
		"level 3 thin, expired by more than three days": {"3", 1.2, []Stay{h(0, 241, Exposed, shop)}, 241, 241, 0, 73, 9},
		// The same by 72 h exactly: 7 h.
		"level 3 thin, expired by three days": {"3", 1.2, []Stay{h(0, 240, Exposed, shop)}, 240, 240, 0, 72, 7},
		// Expired by 12 h; 48 h at 125 °C reset it; then 10 h: 38 left.
		"level 5, baked": {"5", 2.5, []Stay{h(0, 60, Exposed, shop), bake(60, 108, 125, 0), h(108, 118, Exposed, shop)}, 118, 10, 38, 0, 0},
		// 20 h at 125 °C are too short: nothing is reset, and 10 h more are 70: 22 over.
		"level 5, baked too short": {"5", 2.5, []Stay{h(0, 60, Exposed, shop), bake(60, 80, 125, 0), h(80, 90, Exposed, shop)}, 90, 70, 0, 22, 48},
		// 90 °C for 240 h would do, but nobody measured the oven's humidity.
		"level 5, baked at 90 °C in unknown air": {"5", 2.5, []Stay{h(0, 60, Exposed, shop), bake(60, 300, 90, 0)}, 300, 60, 0, 12, 48},
		// With 4 %RH it does.
		"level 5, baked at 90 °C in dry air": {"5", 2.5, []Stay{h(0, 60, Exposed, shop), bake(60, 300, 90, 4)}, 300, 0, 48, 0, 0},
	} {
		s, err := Clock(Body{Level: c.level, ThicknessMM: c.mm}, c.history, begin.Add(time.Duration(c.now*float64(time.Hour))))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		near := func(d time.Duration, want float64) bool { return math.Abs(d.Hours()-want) < 1e-6 }
		owed := 0.0
		if len(s.Bakes) > 0 {
			owed = s.Bakes[0].Hours
		}
		if !near(s.Used, c.used) || !near(s.Left, c.left) || !near(s.Over, c.over) || owed != c.bake || s.Expired != (c.bake > 0) {
			t.Errorf("%s: used %.2f, left %.2f, over %.2f, bake %.0f h; worked out: %.2f, %.2f, %.2f, %.0f", name, s.Used.Hours(), s.Left.Hours(), s.Over.Hours(), owed, c.used, c.left, c.over, c.bake)
		}
	}
}

func TestWhatIsUncertainIsSaid(t *testing.T) {
	begin := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	p := Body{Level: "3", ThicknessMM: 2.5}
	s, err := Clock(p, []Stay{{From: begin, To: begin.Add(time.Hour), Where: Exposed, Air: Air{38, 95, true}}}, begin.Add(300*time.Hour))
	all := strings.Join(s.Notes, "\n")
	if err != nil || !strings.Contains(all, "secondary") || !strings.Contains(all, "beyond the table") || !strings.Contains(all, "not measured") {
		t.Errorf("%v:\n%s", err, all)
	}
	p.Confirmed = &Confirmed{By: "A. Supervisor", Source: "the label of the bag", FloorLifeH: 400}
	if s, _ := Clock(p, []Stay{{From: begin, To: begin.Add(time.Hour), Where: Exposed}}, begin.Add(300*time.Hour)); s.Expired || !strings.Contains(s.Notes[0], "A. Supervisor") {
		t.Errorf("%+v", s)
	}
	if s, _ := Clock(Body{Level: "6", ThicknessMM: 2, LabelH: 6}, nil, begin); !s.Expired || len(s.Bakes) == 0 {
		t.Errorf("a level 6 part is to be baked before use: %+v", s)
	}
}

// Whatever the history: no panic, life is never given back without a bake, and a longer wait never leaves more.
func TestNothingButABakeGivesLifeBack(t *testing.T) {
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		p := Body{Level: rapid.SampledFrom(Levels()).Draw(t, "level"), ThicknessMM: rapid.Float64Range(0.3, 4.5).Draw(t, "mm"), Large: rapid.Bool().Draw(t, "large"), LabelH: float64(rapid.IntRange(1, 100).Draw(t, "label"))}
		at, before := begin, time.Duration(0)
		var hist []Stay
		for range rapid.IntRange(0, 8).Draw(t, "stays") {
			at = at.Add(time.Duration(rapid.IntRange(0, 50).Draw(t, "gap")) * time.Hour)
			s := Stay{From: at, Where: rapid.SampledFrom([]Where{Exposed, Dry, Baking}).Draw(t, "where"), BakeC: 125,
				Air: Air{rapid.Float64Range(0, 50).Draw(t, "c"), rapid.Float64Range(0, 100).Draw(t, "rh"), rapid.Bool().Draw(t, "known")}}
			at = at.Add(time.Duration(rapid.IntRange(0, 200).Draw(t, "for")) * time.Hour)
			s.To = at
			hist = append(hist, s)
			got, err := Clock(p, hist, at)
			if err != nil {
				t.Fatal(err)
			}
			if got.Used < before && s.Where != Baking {
				t.Fatalf("used %v after %v", got.Used, before)
			}
			before = got.Used
			if later, err := Clock(p, hist, at.Add(time.Hour)); err != nil || later.Used < got.Used {
				t.Fatalf("%v; %v an hour later, %v now", err, later.Used, got.Used)
			}
		}
	})
}

func TestAHistoryThatCannotBeIsRefused(t *testing.T) {
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for name, h := range map[string][]Stay{
		"ends before it begins": {{From: now, To: now.Add(-time.Hour), Where: Exposed}},
		"in two places":         {{From: now.Add(-3 * time.Hour), To: now.Add(-time.Hour), Where: Dry}, {From: now.Add(-2 * time.Hour), To: now, Where: Exposed}},
		"in the future":         {{From: now, To: now.Add(time.Hour), Where: Exposed}},
		"nowhere":               {{From: now, To: now, Where: "lost"}},
		"an oven of 300 °C":     {{From: now, To: now, Where: Baking, BakeC: 300}},
		"air that is no number": {{From: now, To: now, Where: Exposed, Air: Air{math.NaN(), 50, true}}},
	} {
		if _, err := Clock(Body{Level: "3", ThicknessMM: 2}, h, now); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
