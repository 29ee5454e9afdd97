package moisture

import (
	"math"

	"trivet/process"
)

// Sources, as they are shown beside what follows from them. Nobody here has read the standard itself.
const (
	sourceFloor    = "J-STD-033 table 5-1, in four secondary copies"
	sourceDerating = "J-STD-033 table 7-1, thick bodies and all BGA from 1 mm, in one secondary copy"
	sourceBake     = "J-STD-033 table 4-1, in a secondary copy and partly from memory"
)

// floorLife is hours out of the bag at 30 °C and 60 %RH at most; level 1 has no limit, and that of level 6 stands on the label.
var floorLife = map[Level]float64{"1": math.Inf(1), "2": 8760, "2a": 672, "3": 168, "4": 72, "5": 48, "5a": 24}

var inf = math.Inf(1)

// The axes of the derating table.
var (
	deratingRH = [...]float64{5, 10, 20, 30, 40, 50, 60, 70, 80, 90} // %RH
	deratingC  = [...]float64{20, 25, 30, 35}                        // °C
)

// derating is the floor life in days at other conditions: rows by deratingRH, columns by deratingC.
var derating = map[Level][len(deratingRH)][len(deratingC)]float64{
	"2a": {
		{inf, inf, inf, inf}, // 5 %
		{inf, inf, inf, inf}, // 10 %
		{231, 167, 124, 94},  // 20 %
		{103, 78, 60, 44},    // 30 %
		{69, 53, 41, 32},     // 40 %
		{57, 42, 33, 26},     // 50 %
		{47, 36, 28, 16},     // 60 %
		{19, 14, 10, 7},      // 70 %
		{13, 10, 7, 5},       // 80 %
		{10, 8, 6, 4},        // 90 %
	},
	"3": {
		{inf, inf, inf, inf}, // 5 %
		{inf, inf, inf, inf}, // 10 %
		{17, 13, 10, 8},      // 20 %
		{14, 11, 9, 7},       // 30 %
		{13, 10, 8, 6},       // 40 %
		{12, 9, 7, 6},        // 50 %
		{12, 9, 7, 6},        // 60 %
		{10, 7, 5, 4},        // 70 %
		{8, 6, 4, 3},         // 80 %
		{7, 5, 4, 3},         // 90 %
	},
	"4": {
		{inf, inf, inf, inf}, // 5 %
		{8, 6, 5, 3},         // 10 %
		{7, 5, 4, 3},         // 20 %
		{7, 5, 4, 3},         // 30 %
		{7, 5, 4, 2},         // 40 %
		{7, 5, 3, 2},         // 50 %
		{6, 4, 3, 2},         // 60 %
		{5, 3, 3, 2},         // 70 %
		{4, 3, 2, 1},         // 80 %
		{4, 3, 2, 1},         // 90 %
	},
	"5": {
		{inf, inf, inf, inf}, // 5 %
		{7, 5, 4, 2},         // 10 %
		{7, 5, 3, 2},         // 20 %
		{6, 4, 3, 2},         // 30 %
		{5, 4, 2, 2},         // 40 %
		{5, 3, 2, 1},         // 50 %
		{4, 3, 2, 1},         // 60 %
		{3, 2, 2, 1},         // 70 %
		{3, 2, 1, 1},         // 80 %
		{3, 2, 1, 1},         // 90 %
	},
	"5a": {
		{inf, inf, inf, inf}, // 5 %
		{5, 3, 2, 1},         // 10 %
		{4, 2, 1, 1},         // 20 %
		{3, 2, 1, 1},         // 30 %
		{3, 2, 1, 1},         // 40 %
		{3, 2, 1, 1},         // 50 %
		{2, 2, 1, 1},         // 60 %
		{2, 1, 1, 1},         // 70 %
		{2, 1, 1, 1},         // 80 %
		{2, 1, 1, 1},         // 90 %
	},
}

// bakeRow is a bake for bodies up to so thick. Hours are for a floor life exceeded by more than 72 h, and by up to 72 h.
type bakeRow struct {
	upToMM     float64
	level      Level
	tempC      float64
	over, upTo float64
	confidence string
}

// At 125 °C any humidity will do; at 90 and 40 °C at most 5 %RH.
var bakes = []bakeRow{
	{1.4, "2a", 125, 5, 3, process.LookedUp},
	{1.4, "2a", 90, 17, 11, process.LookedUp},
	{1.4, "2a", 40, 192, 120, process.LookedUp},
	{1.4, "3", 125, 9, 7, process.LookedUp},
	{1.4, "3", 90, 33, 23, process.LookedUp},
	{1.4, "3", 40, 312, 216, process.LookedUp},
	{1.4, "4", 125, 11, 7, process.LookedUp},
	{1.4, "4", 90, 37, 23, process.LookedUp},
	{1.4, "4", 40, 360, 216, process.LookedUp},
	{1.4, "5", 125, 12, 7, process.LookedUp},
	{1.4, "5", 90, 41, 24, process.LookedUp},
	{1.4, "5", 40, 408, 240, process.LookedUp},
	{1.4, "5a", 125, 16, 10, process.LookedUp},
	{1.4, "5a", 90, 54, 24, process.LookedUp},
	{1.4, "5a", 40, 528, 240, process.LookedUp},
	{2.0, "2a", 125, 21, 16, process.LookedUp},
	{2.0, "2a", 90, 72, 48, process.LookedUp},
	{2.0, "2a", 40, 696, 528, process.LookedUp},
	{2.0, "3", 125, 27, 17, process.LookedUp},
	{2.0, "3", 90, 96, 48, process.LookedUp},
	{2.0, "3", 40, 888, 552, process.LookedUp},
	{2.0, "4", 125, 34, 20, process.LookedUp},
	{2.0, "4", 90, 120, 72, process.LookedUp},
	{2.0, "4", 40, 1128, 672, process.LookedUp},
	{2.0, "5", 125, 40, 25, process.LookedUp},
	{2.0, "5", 90, 144, 96, process.LookedUp},
	{2.0, "5", 40, 1368, 840, process.LookedUp},
	{2.0, "5a", 125, 48, 40, process.FromMemory},
	{2.0, "5a", 90, 192, 144, process.FromMemory},
	{2.0, "5a", 40, 1896, 1344, process.FromMemory},
	{4.5, "2a", 125, 48, 48, process.FromMemory},
	{4.5, "2a", 90, 240, 168, process.FromMemory},
	{4.5, "2a", 40, 1896, 1608, process.FromMemory},
	{4.5, "3", 125, 48, 48, process.FromMemory},
	{4.5, "3", 90, 240, 192, process.FromMemory},
	{4.5, "3", 40, 1896, 1608, process.FromMemory},
	{4.5, "4", 125, 48, 48, process.FromMemory},
	{4.5, "4", 90, 240, 240, process.FromMemory},
	{4.5, "4", 40, 1896, 1608, process.FromMemory},
	{4.5, "5", 125, 48, 48, process.FromMemory},
	{4.5, "5", 90, 240, 240, process.FromMemory},
	{4.5, "5", 40, 1896, 1608, process.FromMemory},
	{4.5, "5a", 125, 48, 48, process.FromMemory},
	{4.5, "5a", 90, 240, 240, process.FromMemory},
	{4.5, "5a", 40, 1896, 1608, process.FromMemory},
}

// largeBake is hours at 125 °C for a BGA larger than 17 mm by 17 mm, or with stacked dies, whose floor life was exceeded by more than 72 h.
var largeBake = bakeRow{tempC: 125, over: 96, confidence: process.FromMemory}
