package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync/atomic"
)

var testKeys atomic.Uint64

// sign pairs with the daemon at the first command, as a program on its computer does, and adds what a command carries besides its
// body.
func (d *daemon) sign(req *http.Request) {
	d.t.Helper()
	if d.token == "" {
		var now struct {
			Code string `json:"code"`
		}
		d.get("/api/v1/pairing", &now)
		d.token = d.pair(now.Code, "operator")
	}
	var s struct {
		Version string `json:"version"`
		Stamp   uint64 `json:"stamp_ms"`
	}
	d.get("/api/v1/state", &s)
	req.Header.Set("Authorization", "Bearer "+d.token)
	req.Header.Set("Idempotency-Key", fmt.Sprintf("key-of-test-%d", testKeys.Add(1)))
	req.Header.Set("If-Match", `"`+s.Version+`"`)
	req.Header.Set("X-Trivet-Seen", fmt.Sprint(s.Stamp))
}

// pair pairs a program and returns its token.
func (d *daemon) pair(code, role string) string {
	d.t.Helper()
	body := fmt.Sprintf(`{"code":%q,"name":"test","role":%q,"for":"program"}`, code, role)
	req, err := http.NewRequest(http.MethodPost, d.base+"/api/v1/pairing", strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Trivet-Request", "1")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		d.t.Fatal(err)
	}
	defer res.Body.Close()
	var me struct {
		Token string `json:"token"`
	}
	if err := json.NewDecoder(res.Body).Decode(&me); err != nil || me.Token == "" {
		d.t.Fatalf("pairing answered %s: %v", res.Status, err)
	}
	return me.Token
}
