package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"
	"time"
)

// pairCmd speaks to a running station on this computer, as a browser on it would.
type pairCmd struct {
	URL    string `name:"url" help:"Address of the station on this computer." default:"http://127.0.0.1:8420"`
	List   bool   `help:"List who is paired." xor:"what"`
	Revoke string `placeholder:"ID" help:"End a pairing; its token is dead at once." xor:"what"`
}

// Run prints the code by which one more browser or program can be paired, or with a flag lists pairings or ends one.
func (c *pairCmd) Run(e *env) error {
	t, err := newTalk(e.ctx, c.URL)
	if err != nil {
		return err
	}
	var now struct {
		Code *string `json:"code"`
	}
	if err := t.ask("GET", "/pairing", nil, &now); err != nil {
		return err
	}
	if now.Code == nil {
		return fmt.Errorf("the station at %s shows its code only on its own computer, under the name localhost, 127.0.0.1 or [::1]", c.URL)
	}
	if !c.List && c.Revoke == "" {
		fmt.Fprintln(e.out, *now.Code)
		return nil
	}
	// Whoever can read the code may pair as whatever they like; so does this program, for the moment it needs it. It is on record.
	var me struct {
		Token string `json:"token"`
	}
	if err := t.ask("POST", "/pairing", map[string]string{"code": *now.Code, "name": "trivet pair", "role": "supervisor", "for": "program"}, &me); err != nil {
		return err
	}
	t.token = me.Token
	defer t.ask("POST", "/pairing/leave", struct{}{}, nil) //nolint:errcheck // what was asked has been done or has failed already
	if c.Revoke != "" {
		if err := t.ask("DELETE", "/pairings/"+url.PathEscape(c.Revoke), struct{}{}, nil); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Ended: %s.\n", c.Revoke)
		return nil
	}
	return t.list(e.out)
}

// list prints who is paired, itself left out.
func (t *talk) list(out io.Writer) error {
	var got struct {
		Pairings []struct {
			ID     string `json:"id"`
			Name   string `json:"name"`
			Role   string `json:"role"`
			Paired string `json:"paired_utc"`
			Source string `json:"source"`
		} `json:"pairings"`
	}
	var me struct {
		You struct {
			ID string `json:"id"`
		} `json:"you"`
	}
	if err := t.ask("GET", "/pairings", nil, &got); err != nil {
		return err
	}
	if err := t.ask("GET", "/pairing", nil, &me); err != nil {
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "id\trole\tpaired (UTC)\tfrom\tname")
	for _, p := range got.Pairings {
		if p.ID != me.You.ID {
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", p.ID, p.Role, p.Paired, p.Source, p.Name)
		}
	}
	return w.Flush()
}

// talk is a conversation with a station.
type talk struct {
	ctx    context.Context
	base   string
	token  string
	client *http.Client
}

// newTalk checks where it leads: a code that is sent to another computer by mistake would be a code given away.
func newTalk(ctx context.Context, at string) (*talk, error) {
	u, err := url.Parse(at)
	if err != nil || (u.Scheme != "http" && u.Scheme != "https") || u.Host == "" || strings.Trim(u.Path, "/") != "" {
		return nil, fmt.Errorf("--url is %q; it must be like http://127.0.0.1:8420", at)
	}
	if ip := net.ParseIP(u.Hostname()); u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("--url is %q; it must lead to this computer: localhost, 127.0.0.1 or [::1]", at)
	}
	transport := &http.Transport{DisableKeepAlives: true, Proxy: nil,
		// The certificate is for the name that others know the station by. On the way to this computer itself there is nobody to fear.
		TLSClientConfig: &tls.Config{InsecureSkipVerify: true}} //nolint:gosec // loopback only, see above
	return &talk{ctx: ctx, base: u.Scheme + "://" + u.Host + "/api/v1", client: &http.Client{Transport: transport, Timeout: 10 * time.Second}}, nil
}

// ask makes one request. A refusal is an error in the station's own words.
func (t *talk) ask(method, path string, body, into any) error {
	return t.send(method, path, nil, body, into)
}

// send is ask with headers of its own.
func (t *talk) send(method, path string, headers map[string]string, body, into any) error {
	text, err := json.Marshal(body)
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(t.ctx, method, t.base+path, bytes.NewReader(text))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("X-Trivet-Request", "1")
	if t.token != "" {
		req.Header.Set("Authorization", "Bearer "+t.token)
	}
	for name, value := range headers {
		req.Header.Set(name, value)
	}
	res, err := t.client.Do(req)
	if err != nil {
		return fmt.Errorf("no station answers at %s: %w", t.base, err)
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(res.Body, 1<<20))
	if err != nil {
		return err
	}
	if res.StatusCode >= 300 {
		var p struct{ Detail, Do string }
		if json.Unmarshal(answer, &p) != nil || p.Detail == "" {
			return fmt.Errorf("the station answered %s", res.Status)
		}
		return fmt.Errorf("%s %s", p.Detail, p.Do)
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(answer, into)
}
