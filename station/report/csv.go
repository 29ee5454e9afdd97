package report

import (
	"bytes"
	"strconv"
	"strings"

	"trivet/station"
)

// suffixes spell a unit in the name of a column.
var suffixes = map[string]string{"°C": "_c", "s": "_s", "W": "_w"}

// CSV returns what was measured, whole, in the form that trivet judge reads: time_s first, names with their unit at the end, an empty cell where
// nothing was read.
func CSV(channels []station.Channel, rows []station.Sample) []byte {
	channels = channels[:min(len(channels), station.MaxChannels)]
	var b bytes.Buffer
	b.WriteString("time_s")
	for _, c := range channels {
		// Names come from a machine file; a spreadsheet must not take one for a formula, nor a comma in it for a separator.
		name := strings.Map(func(r rune) rune {
			if r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
				return r
			}
			return '_'
		}, strings.TrimLeft(c.Name, "-"))
		if end := suffixes[c.Unit]; !strings.HasSuffix(name, end) || end == "" {
			name += end
		}
		b.WriteString("," + name)
	}
	b.WriteString("\n")
	var line []byte
	for i := range rows {
		line = strconv.AppendFloat(line[:0], rows[i].At.Seconds(), 'f', -1, 64)
		for k := range channels {
			line = append(line, ',')
			if v, ok := value(&rows[i], k); ok {
				line = strconv.AppendFloat(line, v, 'f', 3, 32)
			}
		}
		b.Write(append(line, '\n'))
	}
	return b.Bytes()
}
