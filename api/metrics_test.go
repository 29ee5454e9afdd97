package api

import (
	"strings"
	"testing"
)

// lossyDesk is a live record that could not take everything.
type lossyDesk struct{ *desk }

func (lossyDesk) Lost() uint64 { return 7 }

func TestTicksMissingFromTheRecordAreAMetricWhereTheyAreCounted(t *testing.T) {
	const name = "trivet_snapshots_lost_total"
	d := newDesk(t)
	if _, _, text := ask(t, newServer(t, d, func(o *Options) { o.Live = lossyDesk{d} }), request("GET", "/metrics", "")); !strings.Contains(text, name+" 7\n") {
		t.Errorf("missing: %s 7", name)
	}
	if _, _, text := ask(t, newServer(t, d), request("GET", "/metrics", "")); strings.Contains(text, name) {
		t.Errorf("%s is there although nobody counts", name)
	}
}
