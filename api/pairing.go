package api

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Pairing is one browser or program that may do more than look, and the person who said it is theirs. It holds no secret: the
// token itself is known to the paired side alone.
type Pairing struct {
	ID     string    `json:"id"` // names the pairing in lists; no secret
	Name   string    `json:"name"`
	Role   Role      `json:"role"`
	Hash   string    `json:"hash"`       // SHA-256 of the token, hexadecimal
	Paired time.Time `json:"paired_utc"` // label only: a station's clock may be wrong, so no pairing ends by it
	Source string    `json:"source"`     // where it was paired from
}

// Pairings keeps the pairings between two starts of the process. Both are called rarely and may wait for a disk.
type Pairings interface {
	Load() ([]Pairing, error)
	// Save replaces all of them. When it returns nil they outlive a loss of power.
	Save([]Pairing) error
}

// Sizes of pairing. The code has eight digits, typed on a panel with gloves: at twenty tries a minute, all
// that is taken from the network, a year of guessing finds one with a chance of 0.1 (20 × 525600 / 10⁸), and the console shows it going on.
const (
	codeDigits  = 8
	tokenBytes  = 32
	maxPairings = 64          // browsers and programs of one shop (judgement)
	wrongBefore = 5           // wrong codes before there is a new one …
	codeLasts   = time.Minute // … but not sooner than this, or a flood would keep changing the code under a person's fingers
)

// people is who is paired, and the code by which one more can be. Looking somebody up takes no lock.
type people struct {
	kept Pairings          // nil: memory only
	tell func(code string) // shows a new code on the console; may be nil
	now  func() time.Time

	known atomic.Pointer[map[string]Pairing] // by hash; replaced, never changed

	mu     sync.Mutex // for everything below
	list   []Pairing  // oldest first
	code   string
	codeAt time.Time
	wrongs int // since the code was made
	limit  tryLimit
}

// newPeople reads who is paired and makes the first code.
func newPeople(kept Pairings, tell func(string), now func() time.Time) (*people, error) {
	p := &people{kept: kept, tell: tell, now: now}
	if kept != nil {
		list, err := kept.Load()
		if err != nil {
			return nil, fmt.Errorf("read the pairings: %w", err)
		}
		p.list = list
	}
	p.publish()
	return p, p.newCode()
}

// byToken finds the pairing that a token belongs to.
func (p *people) byToken(token string) (Pairing, bool) {
	// Finding it by its hash leaks nothing through the time it takes: whoever could steer the hash of a guess could find the token.
	who, ok := (*p.known.Load())[hashOf(token)]
	return who, ok
}

// current reports whether a pairing still holds, and what it is now.
func (p *people) current(id string) (Pairing, bool) {
	for _, who := range *p.known.Load() {
		if who.ID == id {
			return who, true
		}
	}
	return Pairing{}, false
}

// publish makes the list what byToken finds. The caller holds the lock, or is alone.
func (p *people) publish() {
	known := make(map[string]Pairing, len(p.list))
	for _, who := range p.list {
		if who.Role.rank() > 0 && who.Hash != "" && who.ID != "" { // a line that says nothing we know gives nothing
			known[who.Hash] = who
		}
	}
	p.known.Store(&known)
}

// newCode makes another code and shows it on the console. The caller holds the lock, or is alone.
func (p *people) newCode() error {
	most := new(big.Int).Exp(big.NewInt(10), big.NewInt(codeDigits), nil)
	n, err := rand.Int(rand.Reader, most)
	if err != nil {
		return fmt.Errorf("make a pairing code: %w", err)
	}
	p.code, p.codeAt, p.wrongs = fmt.Sprintf("%0*d", codeDigits, n), p.now(), 0
	if p.tell != nil {
		p.tell(shown(p.code))
	}
	return nil
}

// shown writes a code in two groups, as people read numbers aloud.
func shown(code string) string { return code[:codeDigits/2] + " " + code[codeDigits/2:] }

// present returns the code as it is shown.
func (p *people) present() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return shown(p.code)
}

// wait returns how long a source has to wait before its next try.
func (p *people) wait(source string, local bool) time.Duration {
	return p.limit.waitFor(source, local, p.now())
}

// pairRequest is somebody who wants to be paired.
type pairRequest struct {
	code, name string
	role       Role
	source     string // limits are counted by it
	from       string // for the list
	local      bool
}

// pair checks the code and adds a pairing. It returns the token, which is nowhere else.
func (p *people) pair(q pairRequest) (Pairing, string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	// Under the lock from here to the end of the comparison: two tries at once are two tries.
	if left := p.limit.waitFor(q.source, q.local, now); left > 0 {
		return Pairing{}, "", tooManyTries(left)
	}
	typed := strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, q.code)
	if subtle.ConstantTimeCompare([]byte(typed), []byte(p.code)) != 1 {
		p.limit.wrong(q.source, q.local, now)
		var err error
		if p.wrongs++; p.wrongs >= wrongBefore && now.Sub(p.codeAt) >= codeLasts {
			err = p.newCode()
		}
		return Pairing{}, "", errors.Join(problem("wrong_code", "This is not the code that the station shows now."), err)
	}
	if len(p.list) >= maxPairings {
		return Pairing{}, "", problem("too_many_pairings", fmt.Sprintf("This station keeps %d pairings, and has them all.", maxPairings))
	}
	secret := make([]byte, tokenBytes+4)
	if _, err := rand.Read(secret); err != nil {
		return Pairing{}, "", fmt.Errorf("make a token: %w", err)
	}
	token := base64.RawURLEncoding.EncodeToString(secret[:tokenBytes])
	who := Pairing{ID: hex.EncodeToString(secret[tokenBytes:]), Name: q.name, Role: q.role, Hash: hashOf(token), Paired: now.UTC(), Source: q.from}
	if err := p.change(append(slices.Clone(p.list), who)); err != nil {
		return Pairing{}, "", err
	}
	p.limit.right(q.source)
	return who, token, p.newCode() // used once
}

// end ends a pairing and returns it; false when there is none of that number.
func (p *people) end(id string) (Pairing, bool, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	i := slices.IndexFunc(p.list, func(who Pairing) bool { return who.ID == id })
	if i < 0 {
		return Pairing{}, false, nil
	}
	who := p.list[i]
	rest := slices.Delete(slices.Clone(p.list), i, i+1)
	if err := p.change(rest); err != nil {
		// Ended for this life of the process all the same: whoever ends a pairing wants the token dead now.
		p.list = rest
		p.publish()
		return who, true, err
	}
	return who, true, nil
}

// change keeps a list first and uses it afterwards, so that nobody holds a token that a loss of power would take back.
func (p *people) change(list []Pairing) error {
	if p.kept != nil {
		if err := p.kept.Save(list); err != nil {
			return errors.Join(problem("pairings_not_kept", "The list of pairings could not be written."), err)
		}
	}
	p.list = list
	p.publish()
	return nil
}

// all lists the pairings, oldest first.
func (p *people) all() []Pairing {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.list)
}

// tooManyTries is the refusal of a source that has guessed too often.
func tooManyTries(left time.Duration) *Problem {
	n := int((left + time.Second - 1) / time.Second)
	p := problem("too_many_tries", fmt.Sprintf("Too many wrong codes. The next try counts in %d s.", n))
	p.Do = fmt.Sprintf("Wait %d s, then type the code that is shown then. Stop works meanwhile.", n)
	return p
}
