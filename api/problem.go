package api

import (
	"encoding/json"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"trivet/station"
)

// Problem is an error document by RFC 9457, with a stable code for programs and a sentence that says what to do.
type Problem struct {
	Type   string       `json:"type" doc:"Where the code is explained, relative to the station"`
	Title  string       `json:"title" doc:"The same for every problem with this code"`
	Status int          `json:"status" doc:"The HTTP status, once more"`
	Detail string       `json:"detail" doc:"What is wrong this time, one sentence"`
	Code   string       `json:"code" doc:"Stable; see /api/v1/problems"`
	Do     string       `json:"do,omitempty" doc:"What to do about it"`
	Errors []FieldError `json:"errors,omitempty" doc:"Where in the request, when several things are wrong"`
}

// FieldError is one wrong place in a request.
type FieldError struct {
	Location string `json:"location"`
	Message  string `json:"message"`
}

// Error makes a problem an error for handlers to return.
func (p *Problem) Error() string { return p.Code + ": " + p.Detail }

// GetStatus gives the status to the router.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType names the media type of RFC 9457.
func (p *Problem) ContentType(string) string { return "application/problem+json" }

// ProblemInfo is one row of the table of problems, as it is sent.
type ProblemInfo struct {
	Code   string `json:"code"`
	Status int    `json:"status"`
	Title  string `json:"title"`
	Do     string `json:"do,omitempty" doc:"What to do, unless the problem itself says something better"`
}

// problems is every code there is. Codes are stable; adding one is adding a row. Those of the second half are the station's
// own refusals: a code that is not listed is passed on with status 409.
var problems = [...]ProblemInfo{
	{"host_not_allowed", 403, "Not a name of this station", "Use localhost, or add the name to the hosts in the configuration."},
	{"origin_not_allowed", 403, "Not a page of this station", "Open the page from the station itself."},
	{"look_not_allowed", 401, "Not for everybody to see", "Pair this browser. Stop works all the same."},
	{"not_paired", 401, "Not paired", "Pair this browser or program with the code that the station shows. Stop works all the same."},
	{"role_too_low", 403, "Not in this role", "Ask somebody who may, or pair again in another role."},
	{"request_header_missing", 403, "Not sent on purpose", "Send the header X-Trivet-Request: 1."},
	{"not_found", 404, "Nothing there", "Look at /api/v1/openapi.json for what there is."},
	{"method_not_allowed", 405, "Wrong method", "The Allow header lists what is possible."},
	{"body_too_slow", 408, "The body did not arrive in time", "Send it in one go."},
	{"body_too_large", 413, "The body is too large", "At most 1 MiB is read."},
	{"not_json", 415, "Not JSON", "Send Content-Type: application/json."},
	{"bad_json", 400, "The body is not proper JSON", "Send one JSON object, at most 16 levels deep, no name twice."},
	{"bad_field", 422, "Something in the request is missing or wrong", "See errors for each place."},
	{"no_such_profile", 404, "No such profile", "GET /api/v1/profiles lists them."},
	{"wrong_kind", 422, "The profile is for another kind of work", "Choose a profile of this kind."},
	{"bad_profile", 422, "The profile cannot be followed", "Choose another profile, or let the board cool."},
	{"no_such_job", 404, "No such job", "GET /api/v1/jobs lists them."},
	{"job_exists", 409, "The number is taken", "Choose another one."},
	{"job_damaged", 409, "The job's record is not as it was written", "Keep the data directory as it is, and open a new job."},
	{"job_owes", 409, "Something is owed before this step", ""},
	{"no_such_run", 404, "No such run", "GET /api/v1/runs lists them."},
	{"archive_failed", 503, "The records cannot be read", "Look at the log and at the disk."},
	{"wrong_code", 403, "Not the code", "Read the code on the station's own screen or console again: it changes after a few wrong tries."},
	{"too_many_tries", 429, "Too many wrong codes", "Wait a minute. Stop works meanwhile."},
	{"too_many_pairings", 409, "As many pairings as can be kept", "A supervisor can end those that nobody uses."},
	{"pairings_not_kept", 503, "The pairings cannot be kept", "Make room on the disk or mend it, then try again."},
	{"no_such_pairing", 404, "No such pairing", "GET /api/v1/pairings lists them."},
	{"controls_elsewhere", 409, "You do not hold the controls", "Take them, or ask whoever holds them. Stop works for everybody."},
	{"asked_already", 409, "Somebody else has asked already", "Wait until that request is answered; it stands for a minute."},
	{"nobody_asks", 409, "Nobody asks for the controls", "Look at the page: the request was withdrawn or has run out."},
	{"care_missing", 428, "Not protected from being repeated", "Send Idempotency-Key, If-Match and X-Trivet-Seen with each command, from the newest state."},
	{"too_old", 409, "The command comes too late", "Look at the machine as it is now, then decide again."},
	{"moved_on", 412, "The machine has moved on", "Look at the machine as it is now, then decide again."},
	{"key_used", 409, "This key was used for another command", "Make a new Idempotency-Key for each command."},
	{"not_a_websocket", 426, "The stream needs a WebSocket", "Connect with a WebSocket client."},
	{"too_many_viewers", 503, "Too many viewers", "Close a page somewhere. Stop works all the same."},
	{"not_complete", 422, "The list is not complete", "See the detail."},
	{"no_commissioning", 404, "Nobody keeps the result of commissioning", "Start the station with a data directory."},
	{"commissioning_not_kept", 503, "It cannot be written down", "Make room on the disk or mend it, then try again."},
	{"internal", 500, "A fault in this program", "Look at the log and report it. Stop works all the same."},

	{"not_now", 409, "Not now", ""},
	{"not_ready", 409, "A condition for heat does not hold", ""},
	{"tripped", 409, "A trip has not been reset", ""},
	{"not_reset", 409, "Not reset", "Remove the cause first."},
	{"no_record", 409, "The record cannot be kept", ""},
	{"no_lesson", 409, "Nothing to repeat yet", "Run the first board of the type with a thermocouple at the joint, or choose a bounded peak."},
	{"no_package_top", 409, "The package top is not measured", "Attach a thermocouple to it, or choose a bounded peak."},
	{"no_board", 409, "Neither package top nor board reads", "Attach a thermocouple to both."},
	{"no_estimate", 409, "Nothing tells where the joint is", "Attach a thermocouple at the joint."},
	{"bad_order", 422, "The order contradicts itself", "See the detail."},
	{"no_joint", 409, "No joint thermocouple reads", ""},
	{"no_proof", 409, "The thermocouples cannot be proven", ""},
	{"no_such_alarm", 404, "No such alarm", ""},
	{"busy", 503, "Too many commands at once", "Try again in a second."},
	{"no_answer", 504, "The control loop did not answer", "Look at the page before you try again. Stop works."},
}

// problem returns the problem with this code and a detail of its own.
func problem(code, detail string) *Problem {
	// Thirty rows: a search is as fast as a map, and the table keeps its order for readers.
	i := slices.IndexFunc(problems[:], func(p ProblemInfo) bool { return p.Code == code })
	if i < 0 {
		return &Problem{Type: "/api/v1/problems", Title: "Refused", Status: http.StatusConflict, Detail: detail, Code: code}
	}
	p := problems[i]
	return &Problem{Type: "/api/v1/problems#" + code, Title: p.Title, Status: p.Status, Detail: detail, Code: code, Do: p.Do}
}

// refusal turns what the station answered into a problem; nil stays nil.
func refusal(err error) error {
	if err == nil {
		return nil
	}
	r, ok := err.(*station.Refusal)
	// Do promises a Refusal or the end of the context. Whatever else it may be, the person must look before trying again.
	if !ok {
		return problem("no_answer", "The station did not answer the command.")
	}
	p := problem(r.Code, r.What)
	if r.Do != "" {
		p.Do = r.Do
	}
	return p
}

// write sends the problem as the whole answer.
func (p *Problem) write(w http.ResponseWriter) {
	body, err := json.Marshal(p)
	if err != nil { // strings and numbers only: cannot happen
		http.Error(w, p.Detail, p.Status)
		return
	}
	w.Header().Set("Content-Type", p.ContentType(""))
	w.WriteHeader(p.Status)
	_, _ = w.Write(append(body, '\n'))
}

// asProblem turns the router's own errors into ours. It is a response transformer, because replacing the router's error
// constructor would mean changing a variable that all servers of the process share.
func (s *Server) asProblem(_ huma.Context, _ string, v any) (any, error) {
	switch e := v.(type) {
	case *Problem:
		s.metrics.refused.WithLabelValues(e.Code).Inc()
	case *huma.ErrorModel:
		p := problem(codeOf(e.Status), sentence(e))
		p.Status = e.Status // the header with it has been decided on
		for _, d := range e.Errors {
			p.Errors = append(p.Errors, FieldError{Location: d.Location, Message: clip(d.Message)}) // without the value: it may be long, or a name
		}
		s.metrics.refused.WithLabelValues(p.Code).Inc()
		return p, nil
	}
	return v, nil
}

// codeOf gives one of our codes to a status that the router chose by itself.
func codeOf(status int) string {
	switch status {
	case http.StatusBadRequest:
		return "bad_json"
	case http.StatusRequestTimeout:
		return "body_too_slow"
	case http.StatusRequestEntityTooLarge:
		return "body_too_large"
	case http.StatusUnsupportedMediaType:
		return "not_json"
	case http.StatusUnprocessableEntity:
		return "bad_field"
	}
	return "internal"
}

// sentence says what is wrong: the first place if there is one.
func sentence(e *huma.ErrorModel) string {
	if len(e.Errors) == 0 {
		return e.Detail + "."
	}
	d := e.Errors[0]
	if d.Location == "" {
		return clip(d.Message) + "."
	}
	return d.Location + ": " + clip(d.Message) + "."
}
