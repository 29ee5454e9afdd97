// Package report writes what is kept of one run as one page of HTML for people: to be read, printed on two sheets and filed. It takes what an archive
// returns and looks nothing up; the file has no script and asks for nothing from anywhere.
//
// It judges nothing: the verdict shown is the one that was given when the run ended. Every byte of the file is covered by a list of
// digests at its end, and the record itself lies in it with its own chain (seal.go).
package report

import (
	"fmt"
	"html"
	"slices"
	"strings"
	"time"

	"trivet/process"
	"trivet/process/job"
	"trivet/station"
)

// Input is what a report is made of.
type Input struct {
	Run      station.RunRecord
	Channels []station.Channel
	Rows     []station.Sample
	Events   []station.RunEvent
	Profile  *process.Profile // the one that ran; nil when it cannot be read any more, and then there is no corridor
	Job      *job.Job         // the job that the run belongs to; nil for none
	Record   []byte           // the exported record with its chain; nil when none was kept
	Seal     string           // its newest link, hexadecimal
	Faults   []string         // what is wrong with the record, one sentence each
	Software string           // version that writes the report
}

// page is a report on its way: named parts, one after the other.
type page struct {
	parts []part
	strings.Builder
}

// part is a stretch of the file with a name for people.
type part struct {
	name string
	text string
}

// close ends the part that was written since the last call.
func (p *page) close(name string) {
	p.parts = append(p.parts, part{name, p.String()})
	p.Reset()
}

// say writes a format whose arguments are text from outside: each is escaped.
func (p *page) say(format string, args ...string) {
	list := make([]any, len(args))
	for i, a := range args {
		list[i] = html.EscapeString(strings.ToValidUTF8(a, "�"))
	}
	fmt.Fprintf(p, format, list...)
}

// HTML returns the report.
func HTML(in *Input) []byte {
	p := &page{}
	t := tracesOf(in)
	p.beginning(in)
	p.title(in)
	p.facts(in)
	p.chart(in, t)
	p.limits(in, false)
	p.WriteString("<div class=\"second\">\n")
	p.limits(in, true)
	p.estimate(in, t)
	p.job(in)
	p.events(in)
	p.proof(in)
	p.record(in)
	return sealed(p.parts)
}

func (p *page) beginning(in *Input) {
	p.say(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>Run %s, %s: %s</title>
<style>
`, fmt.Sprint(in.Run.Head.ID), string(in.Run.Head.Kind), word(in))
	p.WriteString(style)
	p.WriteString("</style>\n</head>\n<body>\n")
	p.close("the beginning")
}

// word is how the run came out, in one word.
func word(in *Input) string {
	switch {
	case in.Run.End.State == "":
		return "still open"
	case in.Run.End.Verdict == nil:
		return "not judged"
	case in.Run.End.State != station.Complete:
		return string(in.Run.End.State)
	}
	return in.Run.End.Verdict.Word()
}

func (p *page) title(in *Input) {
	h, e := &in.Run.Head, &in.Run.End
	p.say("<header>\n<div>\n<h1>Run %s: %s</h1>\n<p>%s</p>\n</div>\n", fmt.Sprint(h.ID), string(h.Kind), short(h.Profile, 80))
	p.say("<p class=\"word\">%s</p>\n</header>\n", word(in))
	said := e.Reason
	if e.Verdict != nil {
		said = strings.TrimSpace(said + " " + e.Verdict.Sentence())
	}
	p.say("<p class=\"lead\">%s</p>\n", short(said, 230))
	if h.Simulated {
		p.WriteString("<p class=\"warn\">This run was simulated. Nothing was heated.</p>\n")
	}
	if v := e.Verdict; v != nil && slices.ContainsFunc(v.Columns, func(c process.ColumnRole) bool { return c.Name == station.EstimateColumn }) {
		p.WriteString("<p class=\"warn\">Nothing measured the joint. What is judged here is an estimate.</p>\n")
	}
	for i, f := range in.Faults {
		if i == 2 {
			break
		}
		p.say("<p class=\"warn\">The record is not as it was written: %s</p>\n", short(f, 150))
	}
	p.close("the title and the verdict in words")
}

// facts is who, what, where and when.
func (p *page) facts(in *Input) {
	h, e := &in.Run.Head, &in.Run.End
	begun := stamp(h.BegunUTC)
	if !h.ClockSynced {
		begun += " (clock not known to be right)"
	}
	rows := [][2]string{{"Board", h.Board}, {"Part", h.Part}, {"Serial", h.Serial}, {"Profile", h.Profile}, {"Begun", begun}, {"Ended", stamp(e.EndedUTC)},
		{"Lasted", clock(e.Elapsed)}, {"Ended as", strings.TrimSpace(string(e.State) + " " + bracket(e.Code))}, {"Begun by", h.By}, {"Ended by", e.By},
		{"Machine", h.Station}, {"Software", h.Software}}
	if in.Profile != nil {
		rows = append(rows, [2]string{"Alloy", fmt.Sprintf("%s, liquidus %.0f °C", in.Profile.Alloy.Name, float64(in.Profile.Alloy.Liquidus))},
			[2]string{"Body limit", limitWords(in.Profile)})
	}
	p.WriteString("<dl>\n")
	for _, r := range rows {
		if r[1] = strings.TrimSpace(r[1]); r[1] == "" {
			r[1] = "—"
		}
		p.say("<div><dt>%s</dt><dd>%s</dd></div>\n", r[0], short(r[1], 60))
	}
	p.WriteString("</dl>\n")
	p.close("who, what, where and when")
}

func limitWords(p *process.Profile) string {
	if p.BodyLimit <= 0 {
		return "none given"
	}
	return fmt.Sprintf("%.0f °C", float64(p.BodyLimit))
}

// limits is a row per limit: what decides, or what is advice.
func (p *page) limits(in *Input, advisory bool) {
	v := in.Run.End.Verdict
	name := map[bool]string{false: "Limits that decide", true: "Advice, which never fails a run"}[advisory]
	p.say("<h2>%s</h2>\n", name)
	if v == nil {
		p.WriteString("<p>There was nothing to judge.</p>\n")
		p.close(strings.ToLower(name))
		return
	}
	p.WriteString("<table>\n<tr><th>Limit</th><th class=\"n\">Measured</th><th class=\"n\">Allowed</th><th>Result</th><th>Source</th></tr>\n")
	for i := range v.Checks {
		c := &v.Checks[i]
		if c.Advisory != advisory {
			continue
		}
		value := "not measured"
		if c.Value != nil {
			value = fmt.Sprintf("%g %s", *c.Value, c.Unit)
		}
		bound := map[bool]string{true: "≥", false: "≤"}[c.Bound == process.BoundMin]
		p.say("<tr><td>%s</td><td class=\"n\">%s</td><td class=\"n\">%s</td><td class=\"%s\">%s</td><td class=\"s\">%s</td></tr>\n", c.Name, value,
			fmt.Sprintf("%s %g %s", bound, c.Limit, c.Unit), map[bool]string{true: "ok", false: "no"}[c.OK], outcome(c), short(c.Source+"; "+c.Confidence, 78))
	}
	p.WriteString("</table>\n")
	if advisory {
		for i, n := range v.Notes {
			if i == 3 {
				p.say("<p class=\"fine\">%s more notes are in the record.</p>\n", fmt.Sprint(len(v.Notes)-i))
				break
			}
			p.say("<p class=\"fine\">Note: %s.</p>\n", short(n, 200))
		}
	}
	p.close(strings.ToLower(name))
}

// outcome is a result in words: a colour alone is not read by everybody, nor printed by every printer.
func outcome(c *process.Check) string {
	switch {
	case c.OK && c.Advisory:
		return "as advised"
	case c.OK:
		return "kept"
	case c.Advisory:
		return "outside advice"
	case c.Value == nil:
		return "not shown"
	}
	return "MISSED"
}

// job is what the run belongs to.
func (p *page) job(in *Input) {
	j := in.Job
	if j == nil {
		return
	}
	o := &j.Opening
	p.say("<h2>Job %s</h2>\n<p>Customer: %s. Board %s %s, part %s %s. Steps planned: ", o.ID, short(or(o.Customer), 50), short(o.Board.Type, 30), short(o.Board.Serial, 20), short(o.Part.Type, 30), short(o.Part.Serial, 20))
	steps := make([]string, len(o.Plan))
	for i, s := range o.Plan {
		steps[i] = strings.ReplaceAll(string(s), "_", " ")
	}
	p.say("%s.</p>\n", strings.Join(steps, ", "))
	const most = 5
	n := 0
	for i := range j.Events {
		e := &j.Events[i]
		text := ""
		switch e.Kind {
		case job.Overruled:
			text = "Rule " + e.Rule + " overruled for " + string(e.Step) + ": " + e.Text
		case job.Attached:
			text = "File " + e.Name + ", SHA-256 " + e.Digest
		case job.Judged:
			text = "Judged, " + e.Subject + ": " + map[bool]string{true: "good. ", false: "not good. "}[e.OK] + e.Text
		case job.Done:
			text = "Step " + string(e.Step) + map[bool]string{true: " done. ", false: " tried in vain. "}[e.OK] + e.Text
		}
		if text == "" {
			continue
		}
		if n++; n <= most {
			p.say("<p class=\"fine\">%s, %s: %s</p>\n", stamp(e.At), short(or(e.By), 24), short(text, 84))
		}
	}
	if n > most {
		p.say("<p class=\"fine\">%s more entries are in the record of the job.</p>\n", fmt.Sprint(n-most))
	}
	p.close("the job")
}

// events lists what happened. What does not fit on two sheets is in the record at the end of the file.
func (p *page) events(in *Input) {
	var alarms []string
	people := []string{in.Run.Head.By}
	for _, e := range in.Events {
		if strings.HasPrefix(e.Code, "alarm:") || strings.HasPrefix(e.Code, "trip:") {
			alarms = append(alarms, clock(e.At)+" "+e.Text)
		}
		people = append(people, e.By)
	}
	slices.Sort(people)
	people = slices.DeleteFunc(slices.Compact(people), func(s string) bool { return s == "" })
	p.WriteString("<h2>Alarms</h2>\n")
	if len(alarms) == 0 {
		p.WriteString("<p>None.</p>\n")
	}
	for i, a := range alarms {
		if i == 4 {
			p.say("<p class=\"fine\">%s more are in the record.</p>\n", fmt.Sprint(len(alarms)-i))
			break
		}
		p.say("<p class=\"fine\">%s</p>\n", short(a, 105))
	}
	p.say("<h2>What happened</h2>\n<p class=\"fine\">People named: %s.</p>\n<table>\n", short(or(strings.Join(people, ", ")), 110))
	most := 16
	if in.Job != nil {
		most = 6
	}
	left := len(in.Events) - most
	for i, e := range in.Events {
		if left > 0 && i >= most/2 && i < most/2+left {
			if i == most/2 {
				p.say("<tr><td class=\"n\">…</td><td>%s events are left out here; the record in this file has all.</td></tr>\n", fmt.Sprint(left))
			}
			continue
		}
		text := e.Text
		if e.By != "" && !strings.Contains(text, e.By) {
			text += " (" + e.By + ")"
		}
		p.say("<tr><td class=\"n\">%s</td><td>%s</td></tr>\n", clock(e.At), short(text, 98))
	}
	p.WriteString("</table>\n")
	p.close("alarms and events")
}

// proof says what stands behind the paper.
func (p *page) proof(in *Input) {
	p.WriteString("<h2>Proof</h2>\n")
	p.say("<p class=\"fine\">%s samples, one each %s; %s damaged parts of the record are left out. Recorded by version %s, report written by version %s. ",
		fmt.Sprint(in.Run.Samples), in.Run.Head.Period.String(), fmt.Sprint(in.Run.Bad), or(in.Run.Head.Software), or(in.Software))
	p.WriteString("What was measured of this machine's channels before (their calibration) is kept with the machine and is not part of this record.</p>\n")
	if in.Seal != "" {
		p.say("<p class=\"fine\">Seal of the record: <code>%s</code>. The file holds the whole record; <code>trivet verify FILE</code> names what was changed in it. Only a seal or copy kept elsewhere finds somebody who works out everything anew.</p>\n", in.Seal)
	} else {
		p.WriteString("<p class=\"fine\">No chain of digests was kept of this run, so nothing can be proven of its record.</p>\n")
	}
	p.WriteString("<p class=\"fine\">Limits were read in secondary copies of standards or are common practice, as each row says. Conformity with a standard is not claimed.</p>\n")
	p.WriteString("<p class=\"sign\"><span>Looked at by</span><span>Date</span></p>\n")
	p.close("proof")
}

// Small words.

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02 15:04:05") + " UTC"
}

func clock(d time.Duration) string {
	s := int(d.Seconds())
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

func bracket(s string) string {
	if s == "" {
		return ""
	}
	return "(" + s + ")"
}

func or(s string) string {
	if s == "" {
		return "nobody named"
	}
	return s
}

// short cuts a text that would break the layout on paper.
func short(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most-1]) + "…"
}

// style is the look, on a screen and on paper: black on white, nothing that depends on colour. A4 is 210 by 297 mm, Letter 216 by 279 mm; what fits between
// the margins of both fits on either.
const style = `:root{color-scheme:light}
body{font:8.6pt/1.34 "DejaVu Sans",system-ui,sans-serif;color:#111;background:#fff;max-width:182mm;margin:8mm auto;padding:0 4mm}
header{display:flex;justify-content:space-between;align-items:flex-start;border-bottom:1.2pt solid #111}
h1{font-size:16pt;line-height:1.15;margin:0}
header p{margin:0 0 1.5mm}
.word{font-size:16pt;font-weight:700;border:1.2pt solid #111;padding:0 3mm;text-transform:uppercase}
.lead{font-size:9.6pt;margin:2mm 0}
.warn{font-weight:700;border-left:3pt solid #111;padding-left:2mm;margin:1mm 0}
dl{columns:2;column-gap:8mm;margin:2mm 0}
dl div{display:flex;break-inside:avoid}
dt{flex:0 0 19mm;color:#444}
dd{margin:0;font-weight:600}
h2{font-size:9.8pt;margin:3mm 0 1mm;border-bottom:.5pt solid #777}
p{margin:.6mm 0}
.fine{font-size:7.6pt}
code{font-size:6.6pt;overflow-wrap:anywhere}
table{border-collapse:collapse;width:100%}
td,th{text-align:left;vertical-align:top;padding:.35mm 1.4mm;border-bottom:.3pt solid #bbb;font-size:7.8pt}
th{color:#444;font-weight:600}
.n{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}
.s{font-size:6.8pt;color:#333}
.no{font-weight:700;text-decoration:underline}
svg{display:block;width:100%;height:auto}
.sign{display:flex;gap:8mm;margin-top:9mm}
.sign span{flex:1;border-top:.6pt solid #111;padding-top:.5mm;font-size:7.6pt}
@page{margin:12mm 14mm}
@media print{body{margin:0;padding:0;max-width:none}.second{break-before:page}tr,h2{break-inside:avoid}}
`
