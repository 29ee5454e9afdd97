package api

import (
	"context"
	"math"
	"strconv"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"trivet/process/unit"
	"trivet/station"
)

// maxTraceRows is about how many rows one answer holds: more than any screen has columns of pixels, and with 30 columns
// about 1 MB before it is packed.
const maxTraceRows = 6000

// TraceView is a stretch of a record, by columns.
type TraceView struct {
	RunID       int64             `json:"run_id"`
	Channels    []station.Channel `json:"channels" nullable:"false"`
	Time        numbers           `json:"time_s" doc:"Since the run began"`
	ProfileTime numbers           `json:"profile_s" doc:"Profile time at the same instants"`
	Columns     []numbers         `json:"columns" nullable:"false" doc:"One per channel; null where there is no reading"`
	Qualities   []Stretch         `json:"qualities,omitempty" nullable:"false" doc:"Where a sensor had no reading, and why; left out when there is none"`
	Thinned     bool              `json:"thinned,omitempty" doc:"Each pair of rows stands for a bucket of more: the least and the greatest of each column, in the order they came"`
}

// Stretch is a time during which a channel had no reading for one reason.
type Stretch struct {
	Channel string  `json:"channel"`
	From    float64 `json:"from_s"`
	To      float64 `json:"to_s"`
	Quality string  `json:"quality"`
}

// numbers is a column: float32 with three decimals, NaN standing for null. It exists because a record has a hundred thousand
// numbers and the standard encoder takes an allocation for each nullable one. NaN never leaves this package.
type numbers []float32

// MarshalJSON writes the column.
func (n numbers) MarshalJSON() ([]byte, error) {
	// "237.125," is eight bytes.
	out := make([]byte, 0, 2+8*len(n))
	out = append(out, '[')
	for i, v := range n {
		if i > 0 {
			out = append(out, ',')
		}
		if v := float64(v); math.IsNaN(v) || math.IsInf(v, 0) {
			out = append(out, "null"...)
		} else {
			out = strconv.AppendFloat(out, math.Round(v*1000)/1000, 'f', -1, 64)
		}
	}
	return append(out, ']'), nil
}

// Schema describes a column to the OpenAPI document.
func (numbers) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{Type: huma.TypeArray, Items: &huma.Schema{Type: huma.TypeNumber, Nullable: true}}
}

// trace shows the present or last run from memory.
func (s *Server) trace(_ context.Context, in *struct {
	Since float64 `query:"since_s" minimum:"0" doc:"Leave out what is not later than this"`
}) (*body[TraceView], error) {
	if !(in.Since >= 0 && in.Since <= 1e6) { // the schema lets NaN through
		return nil, problem("bad_field", "query.since_s: it must be between 0 and 1000000.")
	}
	id, _, rows := s.o.Live.Present()
	if in.Since > 0 {
		// A linear search from the front. The page asks for the end of the record, but once, when it has lost its stream.
		after := time.Duration(in.Since * float64(time.Second))
		for len(rows) > 0 && rows[0].At <= after {
			rows = rows[1:]
		}
	}
	return &body[TraceView]{traceOf(id, s.o.Live.Channels(), rows)}, nil
}

// takePlace waits for one of the few places for requests that read a whole record into memory, and gives up after a while.
func (s *Server) takePlace(ctx context.Context) (done func(), err error) {
	wait := time.NewTimer(answerTimeout)
	defer wait.Stop()
	select {
	case s.heavy <- struct{}{}:
		return func() { <-s.heavy }, nil
	case <-wait.C:
	case <-ctx.Done():
	}
	return nil, problem("busy", "Other records are being read.")
}

// traceOf turns rows into columns, thinning when there are many. The column of profile time becomes ProfileTime.
func traceOf(id int64, channels []station.Channel, rows []station.Sample) TraceView {
	channels = channels[:min(len(channels), station.MaxChannels)]
	v := TraceView{RunID: id, Channels: []station.Channel{}, Columns: []numbers{}, Time: numbers{}, ProfileTime: numbers{}}
	// The cuts depend on the number of rows alone, so all columns are cut at the same places.
	cut := buckets(len(rows))
	v.Thinned = len(cut) > 0
	for _, r := range rows {
		if !v.Thinned {
			v.Time = append(v.Time, float32(r.At.Seconds()))
		}
	}
	for _, b := range cut {
		v.Time = append(v.Time, float32(rows[b.from].At.Seconds()), float32(rows[b.to-1].At.Seconds()))
	}
	for k, c := range channels {
		column := make(numbers, 0, len(v.Time))
		if v.Thinned {
			for _, b := range cut {
				first, second := extremes(rows[b.from:b.to], k)
				column = append(column, first, second)
			}
		} else {
			for i := range rows {
				column = append(column, value(&rows[i], k))
			}
		}
		// It is an axis and no measurement: pages draw the plan over it.
		if c.Kind == "profile_time" {
			v.ProfileTime = column
			continue
		}
		v.Channels, v.Columns = append(v.Channels, c), append(v.Columns, column)
		// Only sensors can fail to read. A set-point that is missing is simply not set.
		if c.Kind == "sensor" {
			v.Qualities = append(v.Qualities, stretches(c.Name, rows, k)...)
		}
	}
	return v
}

// bucket is rows from (inclusive) to to (exclusive).
type bucket struct{ from, to int }

// buckets cuts n rows into pieces of at least two that fill the answer; nil when they fit as they are. The last row is always
// the end of the last bucket, so the newest time is never lost.
func buckets(n int) []bucket {
	if n <= maxTraceRows {
		return nil
	}
	out := make([]bucket, 0, maxTraceRows/2)
	for i := range maxTraceRows / 2 {
		out = append(out, bucket{i * n / (maxTraceRows / 2), (i + 1) * n / (maxTraceRows / 2)})
	}
	return out
}

// extremes returns the least and the greatest value of column k, in the order in which they came; NaN when there is none.
func extremes(rows []station.Sample, k int) (first, second float32) {
	// Places and not values, so that the two come out in the order in which they happened: a rise stays a rise.
	least, most := -1, -1
	for i := range rows {
		v := value(&rows[i], k)
		if v != v { // NaN: no reading
			continue
		}
		if least < 0 || v < rows[least].Values[k] {
			least = i
		}
		if most < 0 || v > rows[most].Values[k] {
			most = i
		}
	}
	if least < 0 {
		return nan, nan
	}
	if least > most {
		least, most = most, least
	}
	return rows[least].Values[k], rows[most].Values[k]
}

var nan = float32(math.NaN())

// value returns the value of column k, NaN when there is no reading.
func value(r *station.Sample, k int) float32 {
	if k >= r.N || r.Quality[k] != unit.Good {
		return nan
	}
	return r.Values[k]
}

// stretches lists where a sensor had no reading. At most 200 per channel: a loose plug chatters.
func stretches(name string, rows []station.Sample, k int) []Stretch {
	var out []Stretch
	for i := 0; i < len(rows) && len(out) < 200; {
		// Runs of one quality become one stretch; a plug that is out for a minute is one line, not six hundred.
		q := quality(&rows[i], k)
		from := i
		for i < len(rows) && quality(&rows[i], k) == q {
			i++
		}
		if q != unit.Good {
			out = append(out, Stretch{Channel: name, From: seconds(rows[from].At), To: seconds(rows[i-1].At), Quality: q.String()})
		}
	}
	return out
}

func quality(r *station.Sample, k int) unit.Quality {
	if k >= r.N {
		return unit.NotRead
	}
	return r.Quality[k]
}
