package cli

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"strings"

	"cannulary/internal/access"
	"cannulary/internal/feed"
)

// credentials is what a command shows to a running instance, and whom it trusts.
type credentials struct{ ca, certificate, key, tokenFile string }

func (c *credentials) flags(fs interface {
	StringVar(*string, string, string, string)
}) {
	fs.StringVar(&c.ca, "ca", "", "PEM `file` of the authorities of the instance's certificate; the word system takes the machine's own")
	fs.StringVar(&c.certificate, "certificate", "", "PEM `file` of the certificate to show, with --key")
	fs.StringVar(&c.key, "key", "", "PEM `file` of the certificate's key")
	fs.StringVar(&c.tokenFile, "token-file", "", "`file` with the bearer token to show")
}

// tls returns the configuration of a connection; nil if nothing asks for one.
func (c *credentials) tls() (*tls.Config, error) {
	if (c.certificate == "") != (c.key == "") {
		return nil, errUse{"--certificate and --key go together; give both"}
	}
	if c.ca == "" && c.certificate == "" {
		return nil, nil
	}
	out := &tls.Config{MinVersion: tls.VersionTLS12}
	if c.ca != "" && c.ca != "system" {
		text, err := os.ReadFile(c.ca)
		if err != nil {
			return nil, fmt.Errorf("--ca: %w", err)
		}
		if out.RootCAs = x509.NewCertPool(); !out.RootCAs.AppendCertsFromPEM(text) {
			return nil, fmt.Errorf("--ca %s holds no certificate in PEM form", c.ca)
		}
	}
	if c.certificate != "" {
		pair, err := tls.LoadX509KeyPair(c.certificate, c.key)
		if err != nil {
			return nil, fmt.Errorf("--certificate and --key: %w", err)
		}
		out.Certificates = []tls.Certificate{pair}
	}
	return out, nil
}

// token returns the token to show at a host, empty without one. It is never sent in the clear to
// another machine.
func (c *credentials) token(host string, encrypted bool) (string, error) {
	if c.tokenFile == "" {
		return "", nil
	}
	text, err := os.ReadFile(c.tokenFile)
	if err != nil {
		return "", fmt.Errorf("--token-file: %w", err)
	}
	ip := net.ParseIP(host)
	if !encrypted && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return "", errUse{fmt.Sprintf("the token would go to %s in the clear; use https, or --ca for gRPC", host)}
	}
	return strings.TrimSpace(string(text)), nil
}

// client returns a client of the feed at an address, encrypted if --ca or --certificate is given.
func (c *credentials) client(addr string) (*feed.Client, error) {
	config, err := c.tls()
	if err != nil {
		return nil, err
	}
	host, _, _ := net.SplitHostPort(addr) // the connection says what is wrong with an address
	token, err := c.token(host, config != nil)
	return &feed.Client{Addr: addr, TLS: config, Token: token}, err
}

// tokenCommand makes a bearer token. It stands in a file only, and the policy holds its digest.
func tokenCommand(_ context.Context, env Env, args []string) error {
	var out string
	fs := flags(env, "token", "--out FILE")
	fs.StringVar(&out, "out", "", "new `file` for the token (required), which only its owner can read")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if out == "" {
		return errUse{"--out is missing; name a new file for the token"}
	}
	secret := make([]byte, 32)
	_, _ = rand.Read(secret) // never fails
	token := base64.RawURLEncoding.EncodeToString(secret)
	if err := writeNew(out, []byte(token+"\n")); err != nil {
		return err
	}
	return json.NewEncoder(env.Stdout).Encode(map[string]string{"sha256": access.Digest(token)})
}
