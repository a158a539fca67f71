package testkit

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Authority is an invented certificate authority.
type Authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	PEM  []byte
}

// NewAuthority makes an authority.
func NewAuthority(tb testing.TB) *Authority {
	tb.Helper()
	a := &Authority{}
	template := &x509.Certificate{SerialNumber: serial(tb), Subject: pkix.Name{CommonName: "Invented authority"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign}
	a.cert, a.key, a.PEM = sign(tb, template, nil)
	return a
}

// Certificate is a certificate with its key, both in PEM form.
type Certificate struct{ Cert, Key []byte }

// Issue issues a certificate for clients and servers. Change may change what it says.
func (a *Authority) Issue(tb testing.TB, name string, change ...func(*x509.Certificate)) Certificate {
	tb.Helper()
	template := &x509.Certificate{SerialNumber: serial(tb), DNSNames: []string{name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth}}
	if ip := net.ParseIP(name); ip != nil {
		template.DNSNames, template.IPAddresses = nil, []net.IP{ip}
	}
	if u, err := url.Parse(name); err == nil && u.Scheme != "" {
		template.DNSNames, template.URIs = nil, []*url.URL{u}
	}
	for _, f := range change {
		f(template)
	}
	_, key, cert := sign(tb, template, a)
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		tb.Fatal(err)
	}
	return Certificate{cert, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})}
}

// Pair is the certificate as a connection shows it.
func (c Certificate) Pair(tb testing.TB) tls.Certificate {
	tb.Helper()
	pair, err := tls.X509KeyPair(c.Cert, c.Key)
	if err != nil {
		tb.Fatal(err)
	}
	return pair
}

// Pool holds the authority.
func (a *Authority) Pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(a.cert)
	return p
}

// Write writes a file of the test, whole at once.
func Write(tb testing.TB, dir, name string, content []byte) string {
	tb.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path+".new", content, 0o600); err != nil {
		tb.Fatal(err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		tb.Fatal(err)
	}
	return path
}

func serial(tb testing.TB) *big.Int {
	tb.Helper()
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 100))
	if err != nil {
		tb.Fatal(err)
	}
	return n
}

// sign makes a certificate with a new key; one without an authority signs itself.
func sign(tb testing.TB, template *x509.Certificate, by *Authority) (*x509.Certificate, *ecdsa.PrivateKey, []byte) {
	tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		tb.Fatal(err)
	}
	parent, signer := template, key
	if by != nil {
		parent, signer = by.cert, by.key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		tb.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		tb.Fatal(err)
	}
	return cert, key, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
}
