package bench

import (
	"trivet/control/forecast"
	"trivet/control/full"
	"trivet/station"
)

// AheadOf turns what a law found into what the station shows and its gate listens to; nil when there is no forecast in it.
func AheadOf(r *full.Result) *station.Ahead {
	f := &r.Forecast
	if r.Err != nil || r.Schedule == nil || len(f.Mid) == 0 {
		return nil
	}
	span := func(s forecast.Span) [3]float64 { return [3]float64{s.Low, s.Mid, s.High} }
	a := &station.Ahead{Begin: r.Schedule.Begin, Mid: f.Mid, Low: f.Low, High: f.High,
		Peak: span(f.Peak), Above: span(f.Above), Body: span(f.BodyPeak), Go: f.Go}
	a.KinKnown, a.Kin, a.Stranger, a.Distance = r.Kin.Enough, r.Kin.Kin, r.Kin.Far, r.Kin.Distance
	for _, why := range f.Reasons {
		if a.Code == "" || (why.Stops && !a.Stops) { // the first that stops, else the first
			a.Code, a.Text, a.Remedy, a.Stops = string(why.Code), why.Text, why.Remedy, why.Stops
		}
	}
	return a
}
