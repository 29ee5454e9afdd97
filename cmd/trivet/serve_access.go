package main

import (
	"crypto/tls"
	"fmt"
	"net"
	"net/netip"
	"path/filepath"

	"trivet/api"
)

// accessPart is who may look, and how the page is reached: the table [access] of the configuration file.
type accessPart struct {
	Look    string `toml:"look"`     // nearby, paired or everybody: who may look without being paired
	TLSCert string `toml:"tls_cert"` // file with the certificate chain, PEM
	TLSKey  string `toml:"tls_key"`  // file with its private key, PEM
}

// check returns what is wrong: the key, what it is, what is allowed. Empty keys are all right.
func (a *accessPart) check() (key, what, allowed string) {
	switch {
	case !api.Looking(a.Look).Valid():
		return "look", fmt.Sprintf("is %q", a.Look), "nearby, paired or everybody"
	case a.TLSCert == "" && a.TLSKey != "":
		return "tls_key", "stands alone", "tls_cert and tls_key together"
	case a.TLSCert != "" && a.TLSKey == "":
		return "tls_cert", "stands alone", "tls_cert and tls_key together"
	}
	return "", "", ""
}

// access merges the flags over the file's table, whose paths are relative to dir.
func (c *serveCmd) access(a accessPart, dir string) accessPart {
	for _, p := range []*string{&a.TLSCert, &a.TLSKey} {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(dir, *p)
		}
	}
	if c.Look != "" {
		a.Look = c.Look
	}
	if c.TLSCert != "" || c.TLSKey != "" {
		a.TLSCert, a.TLSKey = c.TLSCert, c.TLSKey
	}
	return a
}

// secured wraps a listener in TLS if a certificate is given, and returns the scheme of its address. The certificate is the user's own:
// a station has no name that anybody else could vouch for.
func (a *accessPart) secured(ln net.Listener) (net.Listener, string, error) {
	if a.TLSCert == "" {
		return ln, "http", nil
	}
	cert, err := tls.LoadX509KeyPair(a.TLSCert, a.TLSKey)
	if err != nil {
		return nil, "", fmt.Errorf("cannot use the certificate %s with the key %s: %w", a.TLSCert, a.TLSKey, err)
	}
	// TLS 1.2 at least (RFC 8996 retires what is older). HTTP/1.1 only: it is what the stream's handshake and Stop by a bad line are tested with.
	return tls.NewListener(ln, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}}), "https", nil
}

// exposed reports whether somebody on a network could read along: plain HTTP on an address that is not this computer's own.
func exposed(ln net.Addr, scheme string) bool {
	a, err := netip.ParseAddrPort(ln.String())
	return scheme == "http" && (err != nil || !a.Addr().Unmap().IsLoopback())
}
