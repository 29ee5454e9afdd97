package process

import (
	"fmt"

	"trivet/process/unit"
)

// bodyClassTable names where the classification temperatures come from.
const bodyClassTable = "J-STD-020 rev D.1 tables 4-1 and 4-2 (secondary copies, believed unchanged since)"

// BodyClass returns the classification temperature of a package body from its size: what its top centre may reach
// when it is soldered. Thickness is in mm; volume in mm³ without balls and without a separate heat sink.
//
// Which side of a boundary belongs where, as the tables print it: tin-lead 2.5 mm and 350 mm³ fall in the upper
// class; lead-free 1.6 and 2.5 mm both in the middle class, 350 and 2000 mm³ both in the middle class. A size that
// is not a number above zero gets the lowest class of its table, and the source says so: an unknown body is treated
// as a delicate one. The part's own label or data sheet wins over this table wherever it says less.
func BodyClass(leadFree bool, thicknessMM, volumeMM3 float64) (tc unit.Celsius, source string) {
	process, lowest := "tin-lead", unit.Celsius(220)
	if leadFree {
		process, lowest = "lead-free", 245
	}
	if !(thicknessMM > 0 && volumeMM3 > 0) {
		return lowest, bodyClassTable + ", " + process + ": size unknown, lowest class taken"
	}
	tc = tinLeadClass(thicknessMM, volumeMM3)
	if leadFree {
		tc = leadFreeClass(thicknessMM, volumeMM3)
	}
	return tc, fmt.Sprintf("%s, %s, %.4g mm, %.4g mm³", bodyClassTable, process, thicknessMM, volumeMM3)
}

func tinLeadClass(thicknessMM, volumeMM3 float64) unit.Celsius {
	if thicknessMM < 2.5 && volumeMM3 < 350 {
		return 235
	}
	return 220
}

func leadFreeClass(thicknessMM, volumeMM3 float64) unit.Celsius {
	switch {
	case thicknessMM < 1.6:
		return 260
	case thicknessMM <= 2.5:
		switch {
		case volumeMM3 < 350:
			return 260
		case volumeMM3 <= 2000:
			return 250
		}
		return 245
	case volumeMM3 < 350:
		return 250
	}
	return 245
}
