package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
)

// enter pairs with a station on this computer, or takes a token that there is, and returns how to end that pairing.
func (t *talk) enter(token, name, role string) (leave func(), err error) {
	leave = func() {}
	if t.token = token; token != "" {
		return leave, nil
	}
	var now struct {
		Code *string `json:"code"`
	}
	if err := t.ask("GET", "/pairing", nil, &now); err != nil {
		return leave, err
	}
	if now.Code == nil {
		return leave, fmt.Errorf("the station at %s shows its code only on its own computer, under the name localhost, 127.0.0.1 or [::1]; give the token of a pairing with --token", t.base)
	}
	// Whoever can read the code may pair as whatever they like; so does this program, for as long as it needs it. It is on record.
	var me struct {
		Token string `json:"token"`
	}
	if err := t.ask("POST", "/pairing", map[string]string{"code": *now.Code, "name": name, "role": role, "for": "program"}, &me); err != nil {
		return leave, err
	}
	t.token = me.Token
	return func() {
		// The context may be over by then, and the pairing must end all the same.
		last, cancel := context.WithTimeout(context.WithoutCancel(t.ctx), 5*time.Second)
		defer cancel()
		t.ctx = last
		_ = t.ask("POST", "/pairing/leave", struct{}{}, nil) // what was asked has been done or has failed already
	}, nil
}

// order gives a command with the care that each needs, from the newest state. The machine may decide something between the look and the
// command, such as that a condition holds again: then it looks anew, a few times. Whatever forbids the command still does.
func (t *talk) order(path string, body map[string]any) (err error) {
	for range 4 {
		if err = t.orderOnce(path, body); err == nil || !strings.Contains(err.Error(), "has moved on") {
			return err
		}
	}
	return err
}

func (t *talk) orderOnce(path string, body map[string]any) error {
	var s struct {
		Version string `json:"version"`
		Stamp   uint64 `json:"stamp_ms"`
	}
	if err := t.ask("GET", "/state", nil, &s); err != nil {
		return err
	}
	var key [12]byte
	if _, err := rand.Read(key[:]); err != nil {
		return err
	}
	care := map[string]string{"Idempotency-Key": hex.EncodeToString(key[:]), "If-Match": `"` + s.Version + `"`, "X-Trivet-Seen": fmt.Sprint(s.Stamp)}
	return t.send("POST", path, care, body, nil)
}
