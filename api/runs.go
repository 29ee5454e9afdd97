package api

import (
	"bufio"
	"compress/gzip"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/zap"

	"trivet/station"
)

// RunsView is the history, newest first.
type RunsView struct {
	Runs []RunView `json:"runs" nullable:"false"`
}

// RunView is one kept run.
type RunView struct {
	ID      int64   `json:"id"`
	Begun   string  `json:"begun_utc"`
	Kind    string  `json:"kind"`
	Profile string  `json:"profile"`
	Board   string  `json:"board"`
	Part    string  `json:"part"`
	By      string  `json:"by"`
	State   string  `json:"state" doc:"How it ended; running while it has not"`
	Code    string  `json:"code"`
	Reason  string  `json:"reason"`
	Elapsed float64 `json:"elapsed_s"`
	Samples int     `json:"samples"`
	Verdict *string `json:"verdict" enum:"pass,fail"`
}

// RunDetail is everything kept of one run but its samples.
type RunDetail struct {
	RunView
	Serial      string            `json:"serial"`
	Station     string            `json:"station"`
	Software    string            `json:"software"`
	Simulated   bool              `json:"simulated"`
	ClockSynced bool              `json:"clock_synced" doc:"Whether the time of day could be trusted"`
	BootID      string            `json:"boot_id"`
	ProfileTOML string            `json:"profile_toml" doc:"The exact profile that ran"`
	Period      float64           `json:"period_s"`
	Channels    []station.Channel `json:"channels" nullable:"false"`
	Ended       string            `json:"ended_utc" doc:"Empty while it runs"`
	EndedBy     string            `json:"ended_by"`
	LastSample  float64           `json:"last_sample_s"`
	BadChunks   int               `json:"damaged_chunks" doc:"Left out because they failed their check"`
	Judgement   any               `json:"judgement" doc:"As trivet judge --json prints it; null when there was nothing to judge"`
	Events      []RunEventView    `json:"events" nullable:"false"`
}

// RunEventView is one kept event.
type RunEventView struct {
	At   float64 `json:"at_s"`
	Time string  `json:"time_utc"`
	Code string  `json:"code"`
	Text string  `json:"text"`
	By   string  `json:"by"`
}

// runID is the number in a path.
type runID struct {
	ID int64 `path:"id" minimum:"1" maximum:"9007199254740991" doc:"Number of the run"`
}

func (s *Server) registerRuns(a huma.API) {
	operation(s, a, "GET", "/api/v1/runs", "runs", "The history, newest first", AccessLook, func(ctx context.Context, in *struct {
		Limit int `query:"limit" minimum:"1" maximum:"1000" default:"50"`
	}) (*body[RunsView], error) {
		// Without its samples a run is small; the list of a thousand needs no paging on a local network.
		list, err := s.o.Archive.Runs(ctx, in.Limit)
		if err != nil {
			return nil, s.archiveProblem(err)
		}
		out := RunsView{Runs: make([]RunView, 0, len(list))}
		for i := range list {
			out.Runs = append(out.Runs, runView(&list[i]))
		}
		return &body[RunsView]{out}, nil
	})
	operation(s, a, "GET", "/api/v1/runs/{id}", "run", "One run with its verdict and events", AccessLook, s.run)
	operation(s, a, "GET", "/api/v1/runs/{id}/samples", "samples", "What was measured in a run", AccessLook, func(ctx context.Context, in *runID) (*body[TraceView], error) {
		done, err := s.takePlace(ctx)
		if err != nil {
			return nil, err
		}
		defer done()
		channels, rows, err := s.o.Archive.Samples(ctx, in.ID)
		if err != nil {
			return nil, s.archiveProblem(err)
		}
		return &body[TraceView]{traceOf(in.ID, channels, rows)}, nil
	})
	operation(s, a, "GET", "/api/v1/runs/{id}/samples.csv", "samples_csv", "What was measured in a run, whole, as CSV", AccessLook, s.samplesCSV, func(op *huma.Operation) {
		op.Responses["200"] = &huma.Response{Description: "First column time_s; temperature columns end in _c; an empty cell is no reading",
			Content: map[string]*huma.MediaType{"text/csv": {Schema: &huma.Schema{Type: huma.TypeString}}}}
	})
}

// archiveProblem says what kept a record from being read. The cause goes to the log: it names files.
func (s *Server) archiveProblem(err error) error {
	// The one error that is the viewer's mistake.
	var none station.ErrNoRun
	if errors.As(err, &none) {
		return problem("no_such_run", fmt.Sprintf("There is no run %d.", none.ID))
	}
	if !errors.Is(err, context.Canceled) {
		s.log.Error("read the records", zap.Error(err))
	}
	return problem("archive_failed", "The records could not be read.")
}

// runView is the line of a run in the history.
func runView(r *station.RunRecord) RunView {
	v := RunView{ID: r.Head.ID, Begun: stamp(r.Head.BegunUTC), Kind: string(r.Head.Kind), Profile: r.Head.Profile, Board: r.Head.Board, Part: r.Head.Part,
		By: r.Head.By, State: string(r.End.State), Code: r.End.Code, Reason: r.End.Reason, Elapsed: seconds(r.End.Elapsed), Samples: r.Samples}
	// Still open. Its time is that of the newest sample that was kept, a second or so ago.
	if r.End.State == "" {
		v.State, v.Elapsed = string(station.Running), seconds(r.LastAt)
	}
	if r.End.Verdict != nil {
		word := r.End.Verdict.Word()
		v.Verdict = &word
	}
	return v
}

// stamp writes a time of day for people and programs alike, empty for none. Seconds are enough for a label.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// run shows one run. The verdict is sent as it was judged then; it is not judged again by today's limits.
func (s *Server) run(ctx context.Context, in *runID) (*body[RunDetail], error) {
	done, err := s.takePlace(ctx) // counting damaged chunks reads the whole record
	if err != nil {
		return nil, err
	}
	defer done()
	r, err := s.o.Archive.Run(ctx, in.ID)
	if err != nil {
		return nil, s.archiveProblem(err)
	}
	events, err := s.o.Archive.Events(ctx, in.ID)
	if err != nil {
		return nil, s.archiveProblem(err)
	}
	// Nothing here is computed: what was kept is shown, damage included.
	h := &r.Head
	out := RunDetail{RunView: runView(&r), Serial: h.Serial, Station: h.Station, Software: h.Software, Simulated: h.Simulated, ClockSynced: h.ClockSynced,
		BootID: h.BootID, ProfileTOML: h.ProfileTOML, Period: seconds(h.Period), Channels: h.Channels, Ended: stamp(r.End.EndedUTC), EndedBy: r.End.By,
		LastSample: seconds(r.LastAt), BadChunks: r.Bad, Events: []RunEventView{}}
	if out.Channels == nil {
		out.Channels = []station.Channel{}
	}
	if r.End.Verdict != nil {
		out.Judgement = r.End.Verdict
	}
	for _, e := range events {
		out.Events = append(out.Events, RunEventView{seconds(e.At), stamp(e.UTC), e.Code, e.Text, e.By})
	}
	return &body[RunDetail]{out}, nil
}

// samplesCSV writes the whole record, never thinned.
func (s *Server) samplesCSV(ctx context.Context, in *runID) (*huma.StreamResponse, error) {
	done, err := s.takePlace(ctx)
	if err != nil {
		return nil, err
	}
	channels, rows, err := s.o.Archive.Samples(ctx, in.ID)
	if err != nil {
		done()
		return nil, s.archiveProblem(err)
	}
	// The rows are in memory by now; the place is kept until the last of them is on its way, because that is how long they
	// stay there.
	return &huma.StreamResponse{Body: func(c huma.Context) {
		defer done()
		c.SetHeader("Content-Type", "text/csv; charset=utf-8")
		c.SetHeader("Content-Disposition", fmt.Sprintf(`attachment; filename="run-%d.csv"`, in.ID))
		if err := writeCSV(c.BodyWriter(), channels, rows); err != nil {
			s.log.Info("a download was broken off", zap.Int64("run", in.ID), zap.Error(err))
		}
	}}, nil
}

// writeCSV writes rows in the form that trivet judge reads: time_s first, names with the unit at their end, empty cells for
// what was not read.
func writeCSV(w io.Writer, channels []station.Channel, rows []station.Sample) error {
	channels = channels[:min(len(channels), station.MaxChannels)]
	buf := bufio.NewWriterSize(w, 32<<10)
	out := csv.NewWriter(buf)
	// One row of cells, used again for each: the longest record has three million of them.
	cells := make([]string, 1+len(channels))
	cells[0] = "time_s"
	for k, c := range channels {
		cells[1+k] = columnName(c)
	}
	if err := out.Write(cells); err != nil {
		return err
	}
	for i := range rows {
		cells[0] = strconv.FormatFloat(seconds(rows[i].At), 'f', -1, 64)
		for k := range channels {
			cells[1+k] = ""
			if v := value(&rows[i], k); v == v {
				cells[1+k] = strconv.FormatFloat(round(float64(v), 1000), 'f', -1, 64)
			}
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	if out.Flush(); out.Error() != nil {
		return out.Error()
	}
	return buf.Flush()
}

// columnName is a channel's name with its unit, safe for spreadsheets.
func columnName(c station.Channel) string {
	// A spreadsheet takes a cell that begins with "=", "+" or "@" for a formula; names come from the machine file.
	name := strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' {
			return r
		}
		return '_'
	}, c.Name)
	switch c.Unit {
	case "°C":
		return name + "_c"
	case "W":
		return name + "_w"
	case "s":
		return name + "_s"
	}
	return name
}

// packed lets a handler write packed when the client can unpack. Used for records: they shrink to an eighth.
type packed struct {
	http.ResponseWriter
	to *gzip.Writer
}

func (p packed) Write(b []byte) (int, error) { return p.to.Write(b) }

// Unwrap gives the deadlines of the connection to those who ask for them.
func (p packed) Unwrap() http.ResponseWriter { return p.ResponseWriter }

// pack calls h with a writer that packs if the client wants that.
func pack(w http.ResponseWriter, r *http.Request, h http.Handler) {
	w.Header().Set("Vary", "Accept-Encoding")
	if !acceptsGzip(r.Header.Get("Accept-Encoding")) {
		h.ServeHTTP(w, r)
		return
	}
	to, _ := gzip.NewWriterLevel(w, gzip.BestSpeed) // the level is valid; a station has better things to do than pack well
	w.Header().Set("Content-Encoding", "gzip")
	h.ServeHTTP(packed{w, to}, r)
	_ = to.Close() // the client has gone, or all is well
}

// large reports whether a path answers with a record.
func large(path string) bool {
	return path == "/api/v1/trace" || path == "/api/v1/plan" || strings.HasSuffix(path, "/samples") || strings.HasSuffix(path, "/samples.csv")
}
