package process

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"trivet/process/unit"
)

// heavy is a removal as it is done on a part of about 50 mm: five stages, six and a half minutes to the peak.
func heavy() Profile {
	sac, _ := AlloyByName("SAC305")
	return Profile{
		Name: "heavy", Title: "Heavy part", Kind: Removal, Alloy: sac, BodyLimit: 250,
		Segments: []Segment{
			{Name: "Preheat", Target: 150, Ramp: 0.7},
			{Name: "Soak", Target: 190, Ramp: 0.45, WaitWithin: 4},
			{Name: "Ramp", Target: 217, Ramp: 0.6},
			{Name: "Peak", Target: 238, Ramp: 0.6, Hold: 30 * time.Second, WaitWithin: 2, Lift: true},
			{Name: "Cool", Target: 60, Ramp: 1.2, Cool: true},
		},
	}
}

func TestAGoodProfileIsAcceptedAndItsSegmentsAreItsOwn(t *testing.T) {
	in := heavy()
	p, err := NewProfile(in)
	if err != nil {
		t.Fatal(err)
	}
	in.Segments[0].Target = 1
	if p.Segments[0].Target != 150 || p.Tolerance != DefaultTolerance || p.Peak() != 238 || p.PeakSegment() != 3 {
		t.Errorf("got %+v", p)
	}
}

func TestEachMistakeInAProfileIsNamed(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*Profile)
		key   string
	}{
		"name with a space":           {func(p *Profile) { p.Name = "a b" }, "name"},
		"name too long":               {func(p *Profile) { p.Name = strings.Repeat("a", 65) }, "name"},
		"no title":                    {func(p *Profile) { p.Title = "" }, "title"},
		"unknown kind":                {func(p *Profile) { p.Kind = "baking" }, "kind"},
		"no alloy":                    {func(p *Profile) { p.Alloy = Alloy{} }, "alloy"},
		"alloy that must not melt":    {func(p *Profile) { p.Alloy, _ = AlloyByName("Pb90Sn10") }, "alloy"},
		"body limit not a number":     {func(p *Profile) { p.BodyLimit = unit.Celsius(math.NaN()) }, "body_limit_c"},
		"body limit in another unit":  {func(p *Profile) { p.BodyLimit = 482 }, "body_limit_c"},
		"tolerance negative":          {func(p *Profile) { p.Tolerance = -5 }, "tolerance_c"},
		"no segments":                 {func(p *Profile) { p.Segments = nil }, "segment"},
		"too many segments":           {func(p *Profile) { p.Segments = make([]Segment, 201) }, "segment"},
		"segment without a name":      {func(p *Profile) { p.Segments[1].Name = "" }, "segment[1].name"},
		"two segments of one name":    {func(p *Profile) { p.Segments[1].Name = "Preheat" }, "segment[1].name"},
		"target zero":                 {func(p *Profile) { p.Segments[1].Target = 0 }, "segment[1].target_c"},
		"target above the ceiling":    {func(p *Profile) { p.Segments[1].Target = 301 }, "segment[1].target_c"},
		"target not a number":         {func(p *Profile) { p.Segments[1].Target = unit.Celsius(math.NaN()) }, "segment[1].target_c"},
		"ramp zero":                   {func(p *Profile) { p.Segments[1].Ramp = 0 }, "segment[1].ramp_c_per_s"},
		"ramp with a sign":            {func(p *Profile) { p.Segments[4].Ramp = -1.2 }, "segment[4].ramp_c_per_s"},
		"ramp too steep":              {func(p *Profile) { p.Segments[4].Ramp = 6.1 }, "segment[4].ramp_c_per_s"},
		"ramp infinite":               {func(p *Profile) { p.Segments[4].Ramp = unit.KelvinPerSecond(math.Inf(1)) }, "segment[4].ramp_c_per_s"},
		"hold negative":               {func(p *Profile) { p.Segments[1].Hold = -1 }, "segment[1].hold_s"},
		"wait too wide":               {func(p *Profile) { p.Segments[1].WaitWithin = 26 }, "segment[1].wait_within_c"},
		"waits while it cools":        {func(p *Profile) { p.Segments[4].WaitWithin = 2 }, "segment[4].wait_within_c"},
		"lifts while it cools":        {func(p *Profile) { p.Segments[4].Lift = true }, "segment[4].lift"},
		"lifts twice":                 {func(p *Profile) { s := p.Segments[3]; s.Name = "Again"; p.Segments = slices.Insert(p.Segments, 4, s) }, "segment[4].lift"},
		"lifts what is not molten":    {func(p *Profile) { p.Segments[3].Lift, p.Segments[1].Lift = false, true }, "segment[1].lift"},
		"lifts in a placement":        {func(p *Profile) { p.Kind = Placement }, "segment[3].lift"},
		"cools upwards":               {func(p *Profile) { p.Segments[4].Target = 239 }, "segment[4].target_c"},
		"heats after cooling":         {func(p *Profile) { p.Segments = append(p.Segments, Segment{Name: "Again", Target: 100, Ramp: 1}) }, "segment[5].cool"},
		"peak below what melts":       {func(p *Profile) { p.Segments[3].Target = 234 }, "segment[3].target_c"},
		"peak above the joint's most": {func(p *Profile) { p.Segments[3].Target = 251 }, "segment[3].target_c"},
		"longer than three hours":     {func(p *Profile) { p.Segments[1].Hold = MaxDuration }, "segment"},
		"slower than time itself":     {func(p *Profile) { p.Segments[1].Ramp = 1e-300 }, "segment"},
	} {
		t.Run(name, func(t *testing.T) {
			p := heavy()
			c.spoil(&p)
			_, err := NewProfile(p)
			var wrong Problems
			if !errors.As(err, &wrong) {
				t.Fatalf("accepted, or not Problems: %v", err)
			}
			if !slices.ContainsFunc(wrong, func(w Problem) bool { return w.Key == c.key && w.What != "" && w.Allowed != "" }) {
				t.Errorf("got\n%v\nwant a problem with %s", err, c.key)
			}
		})
	}
}

func TestAllMistakesInAProfileAreToldAtOnce(t *testing.T) {
	p := heavy()
	p.Name, p.Title, p.Segments[0].Ramp, p.Segments[2].Target = "", "", 7, -1
	var wrong Problems
	if _, err := NewProfile(p); !errors.As(err, &wrong) || len(wrong) != 4 {
		t.Errorf("got\n%v\nwant four problems", err)
	}
}

func TestAProfileWarnsOfWhatIsUnwise(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(*Profile)
		want  string // "" for no warning at all
	}{
		"nothing":                        {func(p *Profile) {}, ""},
		"no body limit":                  {func(p *Profile) { p.BodyLimit = 0 }, "No body limit"},
		"body limit below the peak":      {func(p *Profile) { p.BodyLimit = 235 }, "below the joint's peak"},
		"body limit just above the peak": {func(p *Profile) { p.BodyLimit = 245 }, "leaves 7 °C"},
		"a removal without a lift":       {func(p *Profile) { p.Segments[3].Lift = false }, "awaits the lift"},
		"steep for parts":                {func(p *Profile) { p.Segments[0].Ramp = 3.5 }, "above the 3 °C/s"},
		"steep for capacitors":           {func(p *Profile) { p.Segments[0].Ramp = 2.5 }, "above 2 °C/s"},
		"cools steeply":                  {func(p *Profile) { p.Segments[4].Ramp = 5 }, "above the usual 1–3 °C/s"},
		"too long to the peak":           {func(p *Profile) { p.Segments[1].Hold = 200 * time.Second }, "25 °C to peak"},
		"too long above liquidus":        {func(p *Profile) { p.Segments[3].Hold = 70 * time.Second }, "time above liquidus, usual"},
		"too short a soak":               {func(p *Profile) { p.Segments[1].Ramp, p.Segments[2].Ramp = 1.5, 1.5 }, "soak"},
	} {
		t.Run(name, func(t *testing.T) {
			p := heavy()
			c.spoil(&p)
			p, err := NewProfile(p)
			if err != nil {
				t.Fatal(err)
			}
			got := p.Warnings()
			if c.want == "" && len(got) > 0 || c.want != "" && !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, c.want) }) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}
