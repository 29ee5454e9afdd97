package store

import (
	"context"
	"fmt"
)

// Check looks through both files completely (PRAGMA integrity_check). It takes as long as reading them does: for tests and for a
// person who doubts, not for the start of the program.
func (d *DB) Check(ctx context.Context) error {
	for _, f := range []*file{d.state, d.samples} {
		var answer string
		if err := f.write.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&answer); err != nil {
			return fmt.Errorf("check %s: %w", f.path, err)
		}
		if answer != "ok" {
			return answered(f.path, answer)
		}
	}
	return nil
}
