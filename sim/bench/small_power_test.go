package bench

import (
	"testing"

	"trivet/sim/catalog"
)

// TestNoSetOfRelaysOfTheSmallMachineDrawsItsWholeBudget is about the machine as shipped, and the reason for most of what small_test.go
// finds: relays are whole, and a tick may not pass the budget. A plan that counts on 1440 W counts on what no tick can draw.
func TestNoSetOfRelaysOfTheSmallMachineDrawsItsWholeBudget(t *testing.T) {
	m, err := catalog.Machine("kitchen-1k4")
	if err != nil {
		t.Fatal(err)
	}
	n := len(m.HeaterNames())
	const jets = 0b11 // top and bottom air
	most, withJets := 0.0, 0.0
	for set := range 1 << n {
		w := 0.0
		for i := range n {
			if set&(1<<i) != 0 {
				w += m.RatedW(i)
			}
		}
		if w > m.MainsBudgetW {
			continue
		}
		most = max(most, w)
		if set&jets == jets {
			withJets = max(withJets, w)
		}
	}
	// 450 + 2·400 W, and 700 + 450 W: two banks of 400 W leave no room for the top, both jets none for a bank.
	if most != 1250 || withJets != 1150 {
		t.Errorf("the relays can draw %.0f W of %.0f W, %.0f W with both jets on; small_test.go was written for 1250 W and 1150 W", most, m.MainsBudgetW, withJets)
	}
}
