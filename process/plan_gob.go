package process

import (
	"bytes"
	"encoding/gob"

	"trivet/process/unit"
)

// planMade is what a plan is made of, and all that travels of it.
type planMade struct {
	Profile Profile
	Start   unit.Celsius
}

// GobEncode lets a plan go to another process of the same program.
func (p *Plan) GobEncode() ([]byte, error) {
	var b bytes.Buffer
	err := gob.NewEncoder(&b).Encode(planMade{p.profile, p.start})
	return b.Bytes(), err
}

// GobDecode makes the plan anew, so that what comes in from outside is checked as any other profile is.
func (p *Plan) GobDecode(data []byte) error {
	var m planMade
	if err := gob.NewDecoder(bytes.NewReader(data)).Decode(&m); err != nil {
		return err
	}
	made, err := NewPlan(m.Profile, m.Start)
	if err != nil {
		return err
	}
	*p = *made
	return nil
}
