package main

import (
	"context"
	"time"

	"trivet/hal/display"
	"trivet/station"
)

// show keeps the state's sentence on the machine's own screen, twice a second. It reads what everybody may read and knows no way to the tick.
func show(ctx context.Context, d *display.Screen, c *station.Clerk, u *station.Setup) {
	t := time.NewTicker(500 * time.Millisecond)
	defer t.Stop()
	var s station.Snapshot
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			c.Latest(&s)
			text, _ := station.Sentence(&s, u)
			d.Show(text)
		}
	}
}
