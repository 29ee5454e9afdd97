package job

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"trivet/process/moisture"
)

var begin = time.Date(2026, 4, 7, 9, 0, 0, 0, time.UTC)

func hours(h float64) time.Time { return begin.Add(time.Duration(h * float64(time.Hour))) }

func opened(t testing.TB) *Job {
	t.Helper()
	j, err := Open(Opening{ID: "J-1", At: begin, By: "A", Customer: "order 7", Plan: Steps(),
		Board: Board{Type: "controller", Serial: "B7", Reflows: 2}, Part: Part{Type: "processor", Serial: "P7", Reflows: 1, Body: moisture.Body{Level: "5", ThicknessMM: 2.5}}})
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func apply(t testing.TB, j *Job, list ...Event) {
	t.Helper()
	for _, e := range list {
		if e.By == "" {
			e.By = "A"
		}
		if err := j.Add(e); err != nil {
			t.Fatal(err)
		}
	}
}

// sign signs everything for a step.
func sign(t testing.TB, j *Job, s Step, at float64) {
	t.Helper()
	for _, p := range j.Unsigned(s) {
		apply(t, j, Event{At: hours(at), Kind: Signed, Step: s, Point: p})
	}
}

func rules(list []Reason) string {
	var out []string
	for _, r := range list {
		out = append(out, r.Rule)
	}
	return strings.Join(out, " ")
}

// One job from its opening to the inspection, with a bake that is owed, one that is overruled, and a part that has had its share.
func TestAJobGoesItsWay(t *testing.T) {
	j := opened(t)
	if got := rules(j.May(Remove, hours(1))); got != "order boardbake checklist" {
		t.Errorf("a removal is refused for %q", got)
	}
	apply(t, j, Event{At: hours(1), Kind: Done, Step: TakeIn, OK: true})
	sign(t, j, Remove, 2)
	if got := rules(j.May(Remove, hours(50))); got != "bake boardbake" { // level 5 has 48 h
		t.Errorf("after 50 h: %q", got)
	}
	r := j.May(Remove, hours(50))[0]
	if !strings.Contains(r.Do, "48 h at 125 °C") || !strings.Contains(r.Source, "J-STD-033") {
		t.Errorf("%+v", r)
	}
	// The oven dries part and board.
	apply(t, j,
		Event{At: hours(100), Kind: Stayed, Stay: &moisture.Stay{From: begin, To: hours(50), Where: moisture.Exposed}},
		Event{At: hours(100), Kind: Stayed, Stay: &moisture.Stay{From: hours(50), To: hours(98), Where: moisture.Baking, BakeC: 125}},
		Event{At: hours(100), Kind: Done, Step: Bake, OK: true})
	if got := rules(j.May(Remove, hours(100))); got != "" {
		t.Errorf("after the bake: %q", got)
	}
	apply(t, j, Event{At: hours(101), Kind: Done, Step: Remove, OK: true, Run: 4})
	if b, p := j.Reflows(); b != 3 || p != 2 {
		t.Errorf("reflows %d, %d", b, p)
	}
	if got := rules(j.May(Place, hours(102))); got != "order order checklist" { // dressing and reballing come first
		t.Errorf("placing: %q", got)
	}
	sign(t, j, Dress, 102)
	sign(t, j, Reball, 102)
	apply(t, j, Event{At: hours(103), Kind: Done, Step: Dress, OK: true, Run: 5}, Event{At: hours(104), Kind: Done, Step: Reball, OK: true, Run: 6})
	sign(t, j, Place, 104)
	if got := rules(j.May(Place, hours(105))); got != "reflows" { // the part has seen three
		t.Errorf("placing: %q", got)
	}
	if err := j.Add(Event{At: hours(105), By: "S", Kind: Overruled, Step: Place, Rule: RuleReflows}); err == nil {
		t.Error("overruled without a reason")
	}
	if err := j.Add(Event{At: hours(105), By: "S", Kind: Overruled, Step: Place, Rule: RuleOrder, Text: "now"}); err == nil {
		t.Error("the order of steps is overruled")
	}
	apply(t, j, Event{At: hours(105), By: "S", Kind: Overruled, Step: Place, Rule: RuleReflows, Text: "no spare; the customer agrees"})
	if got := j.May(Place, hours(105)); len(got) > 0 {
		t.Errorf("placing: %+v", got)
	}
	// It went wrong, with molten solder: that counts, the signatures and the word are used up.
	apply(t, j, Event{At: hours(106), Kind: Done, Step: Place, Heated: true, Run: 7})
	if b, p := j.Reflows(); b != 5 || p != 4 {
		t.Errorf("reflows %d, %d", b, p)
	}
	if got := rules(j.May(Place, hours(106))); got != "reflows checklist" {
		t.Errorf("a second try: %q", got)
	}
	if o := j.Owed(hours(106)); len(o) != 3 || o[0].Step != Test || o[1].Step != Place || o[2].Step != Inspect {
		t.Errorf("owed: %+v", o)
	}
}

func TestWhatCannotBeIsRefusedAndChangesNothing(t *testing.T) {
	j := opened(t)
	apply(t, j, Event{At: hours(1), Kind: Noted, Text: "smells of flux"})
	before, _ := json.Marshal(j)
	for name, e := range map[string]Event{
		"before the last one": {At: begin, Kind: Noted, Text: "x", By: "A"},
		"by nobody":           {At: hours(2), Kind: Noted, Text: "x"},
		"no note":             {At: hours(2), Kind: Noted, By: "A"},
		"no such kind":        {At: hours(2), Kind: "dreamt", By: "A"},
		"no such point":       {At: hours(2), Kind: Signed, Step: Remove, Point: "all is well", By: "A"},
		"no such step":        {At: hours(2), Kind: Done, Step: "polish", By: "A"},
		"two places at once":  {At: hours(2), Kind: Stayed, By: "A", Stay: &moisture.Stay{From: hours(1), To: hours(9), Where: moisture.Dry}},
		"a short digest":      {At: hours(2), Kind: Attached, Name: "x.jpg", Digest: "ab", By: "A"},
		"a verdict on luck":   {At: hours(2), Kind: Judged, Subject: "luck", By: "A"},
		"unseen characters":   {At: hours(2), Kind: Noted, Text: "a\u202eb", By: "A"},
		"an endless note":     {At: hours(2), Kind: Noted, Text: strings.Repeat("x", 5000), By: "A"},
	} {
		if err := j.Add(e); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if after, _ := json.Marshal(j); string(after) != string(before) {
		t.Error("a refused event changed the job")
	}
}

func TestAJobIsReadAsItWasWritten(t *testing.T) {
	j := opened(t)
	apply(t, j, Event{At: hours(1), Kind: Done, Step: TakeIn, OK: true}, Event{At: hours(2), Kind: Judged, Subject: "part", OK: true, Text: "works"})
	data, err := json.Marshal(j)
	if err != nil {
		t.Fatal(err)
	}
	var back Job
	if err := json.Unmarshal(data, &back); err != nil || !reflect.DeepEqual(*j, back) {
		t.Errorf("%v\n%+v\n%+v", err, *j, back)
	}
}

// Whatever comes in whatever order: no panic, what is refused changes nothing, reflows only grow, and what is done stays done.
func TestAnyOrderOfEventsLeavesASoundJob(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		j, err := Open(Opening{ID: "J", At: begin, By: "A", Plan: append([]Step{TakeIn}, rapid.SliceOfDistinct(rapid.SampledFrom(Steps()[1:]), rapid.ID[Step]).Draw(t, "plan")...),
			Board: Board{Type: "b", Dry: rapid.Bool().Draw(t, "dry")}, Part: Part{Type: "p", Body: moisture.Body{Level: "3", ThicknessMM: 2}}})
		if err != nil {
			t.Fatal(err)
		}
		at, nb, np := begin, 0, 0
		for range rapid.IntRange(0, 30).Draw(t, "events") {
			at = at.Add(time.Duration(rapid.IntRange(-1, 40).Draw(t, "h")) * time.Hour)
			s := rapid.SampledFrom(Steps()).Draw(t, "step")
			e := Event{At: at, By: "A", Step: s, OK: rapid.Bool().Draw(t, "ok"), Heated: rapid.Bool().Draw(t, "heated"), Text: "why",
				Kind: rapid.SampledFrom([]Kind{Done, Stayed, Signed, Asked, Overruled, Noted, Judged}).Draw(t, "kind"), Rule: rapid.SampledFrom(append([]string{RuleOrder}, overrulable...)).Draw(t, "rule")}
			if e.Kind == Stayed {
				e.Stay = &moisture.Stay{From: at.Add(-time.Hour), To: at, Where: moisture.Exposed}
			}
			if open := j.Unsigned(s); e.Kind == Signed && len(open) > 0 {
				e.Point = open[0]
			}
			n, was := len(j.Events), j.done(s)
			if j.Add(e) != nil && len(j.Events) != n {
				t.Fatal("a refused event was kept")
			}
			b, p := j.Reflows()
			if b < nb || p < np || was && !j.done(s) {
				t.Fatalf("reflows %d→%d, %d→%d; done %v→%v", nb, b, np, p, was, j.done(s))
			}
			nb, np = b, p
			for _, r := range j.May(s, at) {
				if r.What == "" || r.Overruled != "" {
					t.Fatalf("%+v", r)
				}
			}
			j.Owed(at)
		}
	})
}
