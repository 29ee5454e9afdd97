package full

import (
	"bytes"
	"encoding/gob"
	"errors"

	"trivet/control/model"
	"trivet/control/observe"
)

// Work and Result can go to another process of the same program and come back: Solve gives the same there, to the last bit. The format is
// nothing to keep; both sides are one binary.

// workAll is work with everything in the open. The inner type has Work's fields without its methods.
type workAll struct {
	Work plainWork
	Run  int
}

type plainWork Work

// GobEncode implements gob.GobEncoder.
func (w Work) GobEncode() ([]byte, error) {
	var b bytes.Buffer
	err := gob.NewEncoder(&b).Encode(workAll{plainWork(w), w.run})
	return b.Bytes(), err
}

// GobDecode implements gob.GobDecoder.
func (w *Work) GobDecode(data []byte) error {
	var a workAll
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&a); err != nil {
		return err
	}
	*w = Work(a.Work)
	w.run = a.Run
	if w.Track == nil { // Solve reads it
		w.Track = &model.Track{}
	}
	return nil
}

// resultAll is a result with everything in the open. Of an error only its text travels.
type resultAll struct {
	Result       plainResult
	Known        bool
	State        observe.Filter
	Unlooked     observe.Filter
	Params       model.Params
	Samples, Run int
	Err          string
}

type plainResult Result

// GobEncode implements gob.GobEncoder.
func (r Result) GobEncode() ([]byte, error) {
	a := resultAll{Result: plainResult(r), Known: r.known, State: r.state, Unlooked: r.unlooked, Params: r.params, Samples: r.samples, Run: r.run}
	if r.Err != nil {
		a.Result.Err, a.Err = nil, r.Err.Error()
	}
	var b bytes.Buffer
	err := gob.NewEncoder(&b).Encode(a)
	return b.Bytes(), err
}

// GobDecode implements gob.GobDecoder.
func (r *Result) GobDecode(data []byte) error {
	var a resultAll
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&a); err != nil {
		return err
	}
	*r = Result(a.Result)
	r.known, r.state, r.unlooked, r.params, r.samples, r.run = a.Known, a.State, a.Unlooked, a.Params, a.Samples, a.Run
	if a.Err != "" {
		r.Err = errors.New(a.Err)
	}
	return nil
}

// Failed is the result of work that nobody could do: the plan in force stays, and the next piece of work can be asked for.
func (w Work) Failed(err error) Result { return Result{run: w.run, Err: err} }
