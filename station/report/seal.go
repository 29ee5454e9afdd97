package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Format names the form of the file.
const Format = "trivet-report-v1"

// mark begins the list of digests, which is the last thing in a file.
const mark = "\n<!-- " + Format + "\n"

// What stands around the record, which is JSON without "<".
const (
	recordName  = "the record"
	recordBegin = "</div>\n<pre id=\"record\" hidden>"
	recordEnd   = "</pre>\n</body>\n</html>\n"
)

// record puts the exported record into the file, hidden, so that the file proves itself.
func (p *page) record(in *Input) {
	p.WriteString(recordBegin)
	if !bytes.Contains(in.Record, []byte("<")) { // it never does, and must not close the element
		p.Write(in.Record)
	}
	p.WriteString(recordEnd)
	p.close(recordName)
}

// sealed puts the parts together and lists their digests: for each its number, length in bytes, SHA-256 and name, then one over the list.
func sealed(parts []part) []byte {
	var b bytes.Buffer
	lengths, sums, names := make([]int, len(parts)), make([]string, len(parts)), make([]string, len(parts))
	for i, p := range parts {
		b.WriteString(p.text)
		lengths[i], sums[i], names[i] = len(p.text), digest([]byte(p.text)), p.name
	}
	b.WriteString(listOf(lengths, sums, names))
	return b.Bytes()
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// listOf writes the list of digests. It is the only way to write one.
func listOf(lengths []int, sums, names []string) string {
	var b strings.Builder
	b.WriteString(mark)
	for i := range lengths {
		fmt.Fprintf(&b, "%d %d %s %s\n", i+1, lengths[i], sums[i], names[i])
	}
	return b.String() + digest([]byte(b.String())) + " seal of this list\n-->\n"
}

// ErrNoReport says that a file is no report of this program, or not any more.
var ErrNoReport = errors.New("no report of this program can be made out: its list of digests is not there")

// Check says which parts of a report are not as they were written, one sentence each, and returns the record in it, nil when there is none. It does
// not look into the record, which has a chain of its own.
func Check(data []byte) (record []byte, faults []string, err error) {
	at := bytes.LastIndex(data, []byte(mark))
	if at < 0 {
		return nil, nil, ErrNoReport
	}
	lengths, sums, names, ok := readList(string(data[at+len(mark):]))
	if !ok || listOf(lengths, sums, names) != string(data[at:]) {
		faults = append(faults, "The list of digests at the end of the file was changed.")
	}
	rest := data[:at]
	for i, n := range lengths {
		if n > len(rest) {
			faults = append(faults, fmt.Sprintf("The file ends within %q.", names[i]))
			break
		}
		text := rest[:n]
		rest = rest[n:]
		if digest(text) != sums[i] {
			faults = append(faults, fmt.Sprintf("Changed: %s.", names[i]))
		}
		if names[i] == recordName && len(text) > len(recordBegin)+len(recordEnd) {
			record = text[len(recordBegin) : len(text)-len(recordEnd)]
		}
	}
	if len(rest) > 0 {
		faults = append(faults, fmt.Sprintf("%d bytes are there that belong to no part.", len(rest)))
	}
	return record, faults, nil
}

// readList takes a list of digests apart, as far as it goes.
func readList(text string) (lengths []int, sums, names []string, ok bool) {
	for line := range strings.Lines(text) {
		f := strings.SplitN(strings.TrimSuffix(line, "\n"), " ", 4)
		if len(f) != 4 || len(f[2]) != 2*sha256.Size {
			return lengths, sums, names, len(f[0]) == 2*sha256.Size
		}
		n, err := strconv.Atoi(f[1])
		if err != nil || n < 0 {
			return lengths, sums, names, false
		}
		lengths, sums, names = append(lengths, n), append(sums, f[2]), append(names, f[3])
	}
	return lengths, sums, names, false
}
